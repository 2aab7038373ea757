"""What comes in lies encrypted, whole or not at all, and is gone with its key."""

from __future__ import annotations

import errno
import fcntl
import io
import os
import resource
import stat
import subprocess
import sys
import zipfile

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from registry.domain.problems import BadInputError, FailureError
from registry.store.keys import Keys
from registry.store.spool import Spool, in_blocks, new_token
from registry.store.spooled_file import CHUNK, open_spooled, write_spooled
from tests.build.full_disks import small_disk

KEY = bytes(range(32))


@pytest.fixture
def spool(tmp_path):
    return Spool(tmp_path / "incoming", Keys.create(tmp_path / "keys"))


def take(spool, token, content, number=1):
    with spool.taking(token, [content]) as taken:
        taken.place(number)
    return taken.size


@pytest.mark.parametrize("size", [0, 1, CHUNK - 1, CHUNK, CHUNK + 1, 3 * CHUNK, 3 * CHUNK + 5])
def test_a_file_comes_back_from_any_place_as_it_came_in(tmp_path, size):
    content = os.urandom(size)
    path = tmp_path / "one"
    with path.open("wb") as file:
        assert write_spooled(file, KEY, [content[:100], content[100:]]) == size
    with open_spooled(path, KEY) as stream:
        assert stream.read() == content
        for at in (0, size // 2, max(0, size - 3), size, size + 10):
            assert stream.seek(at) == at
            assert stream.read(7) == content[at : at + 7]


@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
@given(where=st.integers(0, 2 * CHUNK), what=st.sampled_from(["change", "cut", "swap", "add"]))
def test_no_change_of_a_stored_byte_is_read_as_if_nothing_were(tmp_path, where, what):
    path = tmp_path / "one"
    with path.open("wb") as file:
        write_spooled(file, KEY, [os.urandom(2 * CHUNK + 100)])
    stored = bytearray(path.read_bytes())
    if what == "change":
        stored[where] ^= 1
    elif what == "cut":
        del stored[where:]
    elif what == "add":
        stored += bytes(1 + where % 20)
    else:
        first, second = 47, 47 + CHUNK + 16
        stored[first:second], stored[second : second + CHUNK + 16] = (
            stored[second : second + CHUNK + 16],
            stored[first:second],
        )
    path.write_bytes(stored)
    with pytest.raises(OSError, match="not as it was received"), open_spooled(path, KEY) as stream:
        stream.read()


def test_no_byte_of_what_came_in_lies_in_the_clear_and_a_zip_opens_where_it_lies(spool, tmp_path):
    token = new_token()
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("Meyer^Anna/slice", b"NAMED-PERSON" * 1000)
        archive.writestr("second", b"two")
    assert take(spool, token, packed.getvalue()) == len(packed.getvalue())
    for path in tmp_path.rglob("*"):
        if path.is_file():
            assert b"NAMED-PERSON" not in path.read_bytes()
            assert b"Meyer" not in path.read_bytes()
            assert stat.S_IMODE(path.stat().st_mode) == 0o600 or path.parent.name == "keys"
    assert stat.S_IMODE((tmp_path / "incoming").stat().st_mode) == 0o700
    (file,) = spool.files(token)
    with file.open() as stream, zipfile.ZipFile(stream) as archive:
        assert archive.read("second") == b"two"


def test_a_destroyed_arrival_can_never_be_read_again(spool, tmp_path):
    token, other = new_token(), new_token()
    take(spool, token, b"x" * 100)
    take(spool, other, b"y" * 100)
    copy = (tmp_path / "incoming" / token / "00000001.spooled").read_bytes()
    key = Keys(tmp_path / "keys").arrival_keys()[token]
    spool.destroy(token)
    spool.destroy(token)
    assert spool.files(token) == []
    assert len(spool.files(other)) == 1
    assert Keys(tmp_path / "keys").arrival_keys().keys() == {other}
    assert key not in (tmp_path / "keys" / "patients.sqlite").read_bytes()
    # What a disk may still hold is of no use under any key that is left.
    (tmp_path / "kept").write_bytes(copy)
    with pytest.raises(OSError, match="not as it was"):
        open_spooled(tmp_path / "kept", Keys(tmp_path / "keys").arrival_keys()[other])


def test_what_has_no_number_is_gone_and_what_a_dead_writer_left_is_swept(spool, tmp_path):
    kept = new_token()
    take(spool, kept, b"1")
    with spool.taking(kept, [b"never placed"]):
        assert len(list((tmp_path / "incoming" / kept).glob("*.part"))) == 1
        # Somebody writes: a sweep leaves it alone.
        (tmp_path / "incoming" / kept / "dead.part").write_bytes(b"half")
        spool.sweep_parts()
        assert [p.name for p in (tmp_path / "incoming" / kept).glob("dead*")] == []
        assert len(list((tmp_path / "incoming" / kept).glob("*.part"))) == 1
    assert [path.name for path in (tmp_path / "incoming" / kept).iterdir()] == ["00000001.spooled"]
    assert spool.tokens() == {kept}


def test_a_sweep_between_the_making_of_a_file_and_its_lock_loses_nothing(
    spool, tmp_path, monkeypatch
):
    token, lock, swept = new_token(), fcntl.flock, []

    def swept_before(file, operation):
        """Sweep as another process would, just before the writer's first lock."""
        if not swept:
            swept.append(list((tmp_path / "incoming" / token).glob("*.part")))
            spool.sweep_parts()
        lock(file, operation)

    monkeypatch.setattr(fcntl, "flock", swept_before)
    take(spool, token, b"whole")
    assert len(swept[0]) == 1
    with spool.files(token)[0].open() as file:
        assert file.read() == b"whole"


class Broken(io.RawIOBase):
    def readable(self):
        return True

    def readinto(self, _buffer):
        raise OSError(errno.ECONNRESET, "Connection reset by peer")


@pytest.mark.parametrize(
    ("stream", "expected", "room", "words"),
    [
        (io.BytesIO(b"12345"), 6, 100, "did not come in whole"),
        (io.BytesIO(b"12345"), 4, 100, "did not come in whole"),
        (io.BytesIO(b"12345"), None, 4, "more came in"),
        (io.BufferedReader(Broken()), 5, 100, "broke off"),
    ],
)
def test_a_stream_that_is_not_what_was_said_leaves_nothing(spool, stream, expected, room, words):
    token = new_token()
    blocks = in_blocks(stream, expected, room)
    with pytest.raises(BadInputError, match=words), spool.taking(token, blocks):
        pytest.fail("it was given as whole")
    assert spool.files(token) == []


def test_a_full_disk_is_told_and_what_was_there_stays(spool):
    token = new_token()
    take(spool, token, b"first")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    # In a child, for the limit ends this process's other files as well.
    program = (
        "import resource, signal, sys\n"
        "from pathlib import Path\n"
        "from registry.domain.problems import FailureError\n"
        "from registry.store.keys import Keys\n"
        "from registry.store.spool import Spool\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "spool = Spool(Path(sys.argv[1]) / 'incoming', Keys(Path(sys.argv[1]) / 'keys'))\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (600_000, 600_000))\n"
        "try:\n"
        "    with spool.taking(sys.argv[2], [bytes(300_000)] * 10):\n"
        "        print('taken')\n"
        "except FailureError as error:\n"
        "    print(error)\n"
    )
    home = spool._folder.parent
    said = subprocess.run(
        [sys.executable, "-c", program, str(home), token],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "there is no place for what comes in" in said.stdout
    assert resource.getrlimit(resource.RLIMIT_FSIZE) == before
    (file,) = spool.files(token)
    assert file.open().read() == b"first"
    assert [path.suffix for path in (home / "incoming" / token).iterdir()] == [".spooled"]


def test_a_real_disk_that_fills_up_keeps_what_it_had(tmp_path):
    with small_disk(tmp_path / "disk", 1 << 20, 1 << 20) as (full, _):
        spool = Spool(tmp_path / "disk" / "incoming", Keys.create(tmp_path / "keys"))
        token = new_token()
        take(spool, token, bytes(500_000))
        with (
            pytest.raises(FailureError, match=full),
            spool.taking(token, [bytes(100_000)] * 20),
        ):
            pytest.fail("it was given as whole")
        (file,) = spool.files(token)
        assert file.open().read() == bytes(500_000)
        take(spool, token, bytes(100_000), number=2)
