"""A sealed file: what is in it, that any changed byte is found, and that others can check it."""

from __future__ import annotations

import json
import subprocess

import pytest

from registry.store.sealing.checking import check_sealed, sealed
from registry.store.sealing.container import unpack, written_manifest
from registry.store.sealing.signing import as_pem, is_signed, public_of, read_pem, sign
from tests.build.places import run_command
from tests.build.sealed import FILES, KEY, SAID, a_sealed_file, changed_bytes

PUBLIC = public_of(KEY)
# RFC 8032, section 7.1, tests 1 and 2: secret key, public key, message, signature.
RFC_8032 = (
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        (
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e"
            "39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
        ),
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        (
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f"
            "3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
        ),
    ),
)


@pytest.mark.parametrize(("secret", "public", "message", "signature"), RFC_8032)
def test_signatures_are_those_of_the_standard(secret, public, message, signature):
    key, words = bytes.fromhex(secret), bytes.fromhex(message)
    assert public_of(key).hex() == public
    assert sign(key, words).hex() == signature
    assert is_signed(bytes.fromhex(public), bytes.fromhex(signature), words)


def test_what_was_sealed_comes_out_again_with_its_signer():
    found = check_sealed(a_sealed_file(), PUBLIC)
    assert (found.wrong, found.files, found.signer_checked) == ((), FILES, True)
    assert found.said["quarter"] == "2026Q3"
    assert not check_sealed(a_sealed_file()).signer_checked


def test_sealed_twice_it_is_the_same_bytes():
    assert a_sealed_file() == a_sealed_file()


@pytest.mark.parametrize("key", [PUBLIC, None])
def test_each_of_two_hundred_changed_bytes_is_found(key):
    data = a_sealed_file()
    places = set()
    for at, changed in changed_bytes(data, 200, seed=7):
        assert check_sealed(changed, key).wrong, f"byte {at} is another and nobody was told"
        places.add(at)
    assert len(places) > 150


def test_what_differs_is_named():
    data = a_sealed_file()
    at = data.index(FILES["2026Q3.pdf"])
    changed = data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]
    assert check_sealed(changed).wrong == ("2026Q3.pdf: its bytes are not those that were sealed",)
    longer = check_sealed(data + b"\n").wrong
    assert longer == ("the whole: 1 bytes more than were sealed",)
    assert check_sealed(data[:-2]).wrong == (
        "2026Q3.pdf: its bytes are not those that were sealed",
        "the whole: 2 bytes less than were sealed",
    )
    unit = data.replace(b"Spinal unit", b"Spinal unix")
    assert "the manifest or its signature" in check_sealed(unit).wrong[0]


def test_no_part_of_it_can_be_cut_off():
    data = a_sealed_file()
    assert all(check_sealed(data[:end]).wrong for end in range(0, len(data), 7))


def test_sealed_by_somebody_else_is_seen_only_with_the_key():
    forged = sealed(bytes(32), SAID, FILES)
    assert check_sealed(forged).wrong == ()
    assert "another key" in check_sealed(forged, PUBLIC).wrong[0]


@pytest.mark.parametrize("name", ["../up", "/etc/passwd", "a/b", "", ".hidden", "a\nb", "x" * 101])
def test_a_name_that_could_leave_the_folder_is_neither_sealed_nor_taken_out(name):
    with pytest.raises(ValueError, match="may not stand in a sealed file"):
        written_manifest(SAID, {name: b"x"})
    listed = {"name": name, "length": 1, "sha256": "0" * 64}
    manifest = json.dumps({**SAID, "public_key": PUBLIC.hex(), "files": [listed]}).encode()
    made = b"sealed quarter, format 1\n%010d\n%b%b" % (len(manifest), manifest, sign(KEY, manifest))
    assert check_sealed(made + b"x").wrong == (
        "a file's name, length or digest in the manifest is none",
    )


def test_another_program_finds_the_signature_good(tmp_path):
    """OpenSSL's own command line, from the layout that the developers' page describes."""
    found = unpack(a_sealed_file())
    (tmp_path / "manifest").write_bytes(found.manifest)
    (tmp_path / "signature").write_bytes(found.signature)
    (tmp_path / "unit.pem").write_text(as_pem(PUBLIC))
    said = subprocess.run(
        ["openssl", "pkeyutl", "-verify", "-pubin", "-inkey", "unit.pem", "-rawin",
         "-in", "manifest", "-sigfile", "signature"],
        cwd=tmp_path, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert "Verified Successfully" in said.stdout
    assert read_pem(as_pem(PUBLIC).encode()) == PUBLIC


@pytest.fixture
def folder(tmp_path):
    """Give an empty folder with the file and the key alone: no ledger anywhere."""
    (tmp_path / "2026Q3.sealed").write_bytes(a_sealed_file())
    (tmp_path / "unit.pem").write_text(as_pem(PUBLIC))
    return tmp_path


def verify(folder, *more):
    nowhere = {"PEDICLE_LEDGER_HOME": str(folder / "no ledger")}
    words = [str(folder / word) if word in {"unit.pem", "out"} else word for word in more]
    return run_command(["quarter", "verify", str(folder / "2026Q3.sealed"), *words], nowhere)


def test_the_command_needs_no_ledger_and_says_whether_the_signer_was_checked(folder):
    plain, keyed = verify(folder), verify(folder, "--key", "unit.pem", "--out", "out")
    assert (plain.status, plain.err, keyed.status, keyed.err) == (0, "", 0, "")
    assert "signer not checked" in plain.out
    assert "signer checked" in keyed.out
    assert {each.name: each.read_bytes() for each in (folder / "out").iterdir()} == FILES
    assert not (folder / "no ledger").exists()


def test_the_command_fails_on_a_changed_byte_and_writes_nothing(folder):
    data = a_sealed_file()
    (folder / "2026Q3.sealed").write_bytes(data[:-1] + bytes([data[-1] ^ 4]))
    said = verify(folder, "--out", "out")
    assert (said.status, said.out) == (1, "")
    assert "2026Q3.pdf: its bytes are not those that were sealed" in said.err
    assert not (folder / "out").exists()


def test_a_wrong_key_or_no_file_is_one_clear_line(folder):
    (folder / "unit.pem").write_text("no key")
    said = verify(folder, "--key", "unit.pem")
    assert (said.status, said.out, len(said.err.splitlines())) == (2, "", 1)
    (folder / "2026Q3.sealed").unlink()
    said = verify(folder)
    assert (said.status, said.out, len(said.err.splitlines())) == (2, "", 1)
