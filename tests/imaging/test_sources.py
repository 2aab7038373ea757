import os
import zipfile
from pathlib import Path

import pytest

from registry.domain.problems import BadInputError
from registry.imaging.sources import LeftOut, Limits, SourceFile, walk


def listed(*paths, **limits):
    return list(walk([Path(path) for path in paths], Limits(**limits)))


def contents(entries):
    found = {}
    for entry in entries:
        with entry.open() as stream:
            found[entry.name] = stream.read()
    return found


def zipped(path, members):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return path


def test_files_folders_and_zips_come_in_any_mix_and_each_file_once(tmp_path):
    (tmp_path / "a/b").mkdir(parents=True)
    (tmp_path / "a/one").write_bytes(b"one")
    (tmp_path / "a/b/two").write_bytes(b"two")
    packed = zipped(tmp_path / "three.zip", {"x/y": b"three", "z": b"four"})
    found = contents(listed(tmp_path / "a", packed, tmp_path / "a/one"))
    assert found == {
        f"{tmp_path}/a/one": b"one",
        f"{tmp_path}/a/b/two": b"two",
        f"{packed}/x/y": b"three",
        f"{packed}/z": b"four",
    }


def test_a_missing_path_is_named(tmp_path):
    with pytest.raises(BadInputError, match=r"nowhere: no such file or folder"):
        listed(tmp_path / "nowhere")


def test_links_and_pipes_inside_a_folder_are_left_out_with_the_reason(tmp_path):
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret").write_bytes(b"secret")
    folder = tmp_path / "folder"
    folder.mkdir()
    (folder / "file-link").symlink_to(outside / "secret")
    (folder / "folder-link").symlink_to(outside)
    os.mkfifo(folder / "pipe")
    entries = listed(folder)
    assert {(Path(e.name).name, e.what) for e in entries if isinstance(e, LeftOut)} == {
        ("file-link", "link"),
        ("folder-link", "link"),
        ("pipe", "not a plain file"),
    }
    assert not [e for e in entries if isinstance(e, SourceFile)]


def test_a_zip_of_zeros_is_refused_before_it_is_unpacked(tmp_path):
    # interoperability note, section 4: 100 MiB of zeros zip to 102 kB
    bomb = zipped(tmp_path / "bomb.zip", {"zeros": bytes(100 * 1024 * 1024)})
    assert bomb.stat().st_size < 110_000
    with pytest.raises(BadInputError, match="more than 200 times its size"):
        listed(bomb)


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        ({"files": 2}, "more than 2 files"),
        ({"archive_bytes": 1024 * 1024}, "unpacks to more than 1 MiB"),
        ({"member_bytes": 1024 * 1024}, "unpacks to more than 1 MiB"),
    ],
    ids=["files", "whole", "member"],
)
def test_a_zip_beyond_a_limit_is_refused_in_words(tmp_path, limits, words):
    big = os.urandom(1500 * 1024)
    path = zipped(tmp_path / "big.zip", {"a": big, "b": b"b", "c": b"c"})
    with pytest.raises(BadInputError, match=words):
        listed(path, **limits)


def test_a_folder_with_too_many_files_or_too_deep_is_refused(tmp_path):
    for name in "abc":
        (tmp_path / name).write_bytes(b"x")
    with pytest.raises(BadInputError, match="more than 2 files"):
        listed(tmp_path, files=2)
    (tmp_path / "1/2/3").mkdir(parents=True)
    with pytest.raises(BadInputError, match="more than 2 deep"):
        listed(tmp_path, folder_depth=2)


def test_a_path_stored_in_a_zip_is_shown_and_never_followed(tmp_path):
    inner = tmp_path / "inner"
    inner.mkdir()
    path = zipped(inner / "sly.zip", {"../../escaped\x1b[2J": b"x", "/etc/sly": b"y"})
    found = contents(listed(path))
    assert sorted(found.values()) == [b"x", b"y"]
    assert not any("\x1b" in name for name in found)
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["inner", "sly.zip"]


def test_links_and_encrypted_members_of_a_zip_are_left_out(tmp_path):
    path = tmp_path / "odd.zip"
    with zipfile.ZipFile(path, "w") as archive:
        link = zipfile.ZipInfo("link")
        link.external_attr = 0o120777 << 16
        archive.writestr(link, "/etc/hostname")
        archive.writestr("locked", b"x")
    content = bytearray(path.read_bytes())
    directory = content.rindex(b"PK\x01\x02")
    content[directory + 8] |= 1  # APPNOTE 4.4.4, bit 0 of the general purpose flag: encrypted
    path.write_bytes(bytes(content))
    assert [entry.what for entry in listed(path)] == ["link", "encrypted file in a zip"]


def test_a_damaged_zip_is_refused_and_a_damaged_member_raises_a_read_error(tmp_path):
    broken = tmp_path / "broken.zip"
    broken.write_bytes(b"PK\x03\x04 and nothing more")
    with pytest.raises(BadInputError, match="the zip is damaged"):
        listed(broken)
    path = zipped(tmp_path / "flipped.zip", {"a": os.urandom(5000)})
    content = bytearray(path.read_bytes())
    content[2000] ^= 0xFF
    path.write_bytes(bytes(content))
    (entry,) = listed(path)
    with pytest.raises(OSError, match="place in the zip is damaged"):
        entry.open()


def test_a_member_longer_than_its_zip_promises_never_comes_out_whole(tmp_path):
    path = zipped(tmp_path / "liar.zip", {"a": os.urandom(200) + bytes(50_000_000)})
    content = bytearray(path.read_bytes())
    directory = content.rindex(b"PK\x01\x02")
    # APPNOTE 4.3.12: uncompressed size at offset 24 of the central directory's header
    content[directory + 24 : directory + 28] = (1000).to_bytes(4, "little")
    path.write_bytes(bytes(content))
    (entry,) = listed(path)
    with pytest.raises(OSError, match="damaged"):
        entry.open()
