"""Members of a backup: only names that a backup has, each once, each as its digest says."""

from __future__ import annotations

import hashlib
import io
import json

import pytest

from registry.domain.problems import BadInputError
from registry.store.backup_members import DIGESTS, MemberReader, MemberWriter
from registry.store.sealed_stream import SealedReader, SealedWriter

KEY = bytes(32)
IMAGE = "images/" + "a" * 64


def written(*members: tuple[str, bytes], digests: dict[str, str] | None = None) -> bytes:
    """Write members as somebody with the key might: any name, any digests."""
    file = io.BytesIO()
    sink = SealedWriter(file, KEY)
    said = {name: hashlib.sha256(content).hexdigest() for name, content in members}
    every = [*members, (DIGESTS, json.dumps(said if digests is None else digests).encode())]
    for name, content in every:
        sink.write(len(name.encode()).to_bytes(2, "big") + name.encode())
        if content:
            sink.write(len(content).to_bytes(4, "big") + content)
        sink.write(bytes(4))
    sink.close()
    return file.getvalue()


def read(content: bytes) -> dict[str, bytes]:
    reader = MemberReader(SealedReader(io.BytesIO(content), KEY, "x"), "x")
    return {member.name: b"".join(member.blocks) for member in reader.members()}


def test_members_come_back_in_order_whatever_their_size():
    file = io.BytesIO()
    sink = SealedWriter(file, KEY)
    members = MemberWriter(sink)
    members.add("rows/screw", [])
    members.add("config.toml", [b"a", b"", b"bc"])
    members.add(IMAGE, [bytes(3_000_000), b"end"])
    members.finish()
    assert read(file.getvalue()) == {
        "rows/screw": b"",
        "config.toml": b"abc",
        IMAGE: bytes(3_000_000) + b"end",
    }


def test_what_is_not_taken_of_a_member_is_passed_over_and_still_checked():
    content = written(("rows/screw", b"x" * 10), ("config.toml", b"y"))
    reader = MemberReader(SealedReader(io.BytesIO(content), KEY, "x"), "x")
    assert [member.name for member in reader.members()] == ["rows/screw", "config.toml"]
    with pytest.raises(BadInputError, match="rows/screw: not as the digests say"):
        read(written(("rows/screw", b"x"), digests={"rows/screw": "0" * 64}))


@pytest.mark.parametrize(
    "name",
    [
        "../keys/trail.key",
        "/etc/passwd",
        "images/../../x",
        "images/" + "A" * 64,
        "images/" + "a" * 63,
        IMAGE + ".voxels",
        "rows/../x",
        "rows/",
        "rows/screw\n",
        "keys/trail.key",
        "config.toml/x",
        "images\\x",
        "",
        "a" * 60_000,
    ],
)
def test_a_name_that_no_backup_has_is_refused(name):
    with pytest.raises(BadInputError, match="which no backup has"):
        read(written((name, b"x")))
    with pytest.raises(ValueError, match="no member of a backup"):
        MemberWriter(SealedWriter(io.BytesIO(), KEY)).add(name, [b"x"])


def test_a_member_twice_is_refused():
    with pytest.raises(BadInputError, match="which no backup has"):
        read(written(("config.toml", b"x"), ("config.toml", b"y")))


def test_a_member_that_the_digests_do_not_name_or_name_in_vain_is_refused():
    digest = hashlib.sha256(b"x").hexdigest()
    for said in ({}, {"config.toml": digest, IMAGE: digest}):
        with pytest.raises(BadInputError, match="not as the digests say"):
            read(written(("config.toml", b"x"), digests=said))
