"""The sealed file: one plain layout in which every byte is fixed by the manifest.

A first line; the manifest's length in bytes as ten decimal digits and a line end; the manifest,
which is JSON; an Ed25519 signature over the manifest's exact bytes, 64 bytes; then the files that
the manifest lists, one after another in its order, with nothing between and nothing after them. The
manifest gives each one's name, length and SHA-256.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

FIRST_LINE = b"sealed quarter, format 1\n"
SIGNATURE_BYTES = 64
_LENGTH_DIGITS = 10
_BEFORE = len(FIRST_LINE) + _LENGTH_DIGITS + 1
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")
_DIGEST = re.compile(r"[0-9a-f]{64}")


class SealedFileError(ValueError):
    """The bytes do not hold to the layout; says where they part from it."""


@dataclass(frozen=True)
class Listed:
    """A file as the manifest lists it.

    Attributes
    ----------
    name : letters, digits, points, dashes and underscores; no folder
    length : in bytes
    sha256 : 64 hexadecimal digits
    """

    name: str
    length: int
    sha256: str


@dataclass(frozen=True)
class Container:
    """A sealed file taken apart, none of it believed yet.

    Attributes
    ----------
    manifest : the exact bytes that were signed
    signature : 64 bytes
    said : the manifest, read
    listed : its files, in order
    rest : what follows the signature
    """

    manifest: bytes
    signature: bytes
    said: Mapping[str, object]
    listed: Sequence[Listed]
    rest: bytes

    def files(self) -> dict[str, bytes]:
        """Return each listed file's bytes, as far as there are any."""
        found, at = {}, 0
        for each in self.listed:
            found[each.name] = self.rest[at : at + each.length]
            at += each.length
        return found

    def wrong(self) -> list[str]:
        """Return which files are not what the manifest says, and bytes that belong to none."""
        found = [
            f"{each.name}: its bytes are not those that were sealed"
            for each, held in zip(self.listed, self.files().values(), strict=True)
            if len(held) != each.length or hashlib.sha256(held).hexdigest() != each.sha256
        ]
        more = len(self.rest) - sum(each.length for each in self.listed)
        if more:
            what = f"{more} bytes more" if more > 0 else f"{-more} bytes less"
            found.append(f"the whole: {what} than were sealed")
        return found


def written_manifest(said: Mapping[str, object], files: Mapping[str, bytes]) -> bytes:
    """Return a manifest of these files as canonical JSON: sorted keys, UTF-8, one line end.

    ValueError where a name may not stand in it.
    """
    listed = []
    for name, held in files.items():
        if not _NAME.fullmatch(name):
            raise ValueError(f"{name!r} may not stand in a sealed file")
        listed.append(
            {"name": name, "length": len(held), "sha256": hashlib.sha256(held).hexdigest()}
        )
    text = json.dumps(
        {**said, "files": listed}, sort_keys=True, ensure_ascii=False, separators=(",", ":")
    )
    return f"{text}\n".encode()


def pack(manifest: bytes, signature: bytes, files: Mapping[str, bytes]) -> bytes:
    """Return the sealed file; the files in the order in which the manifest was made of them."""
    length = f"{len(manifest):0{_LENGTH_DIGITS}d}\n".encode()
    return b"".join((FIRST_LINE, length, manifest, signature, *files.values()))


def unpack(data: bytes) -> Container:
    """Take a sealed file apart; SealedFileError where it is not laid out as one."""
    if not data.startswith(FIRST_LINE):
        raise SealedFileError("the first line is not that of a sealed quarter")
    length = data[len(FIRST_LINE) : _BEFORE]
    if not re.fullmatch(rb"[0-9]{10}\n", length):
        raise SealedFileError("the manifest's length is not written as ten digits")
    after = _BEFORE + int(length)
    manifest, signature = data[_BEFORE:after], data[after : after + SIGNATURE_BYTES]
    if len(signature) != SIGNATURE_BYTES:
        raise SealedFileError("it ends before its manifest and signature do")
    said = _read(manifest)
    return Container(manifest, signature, said, _listed(said), data[after + SIGNATURE_BYTES :])


def _read(manifest: bytes) -> dict[str, object]:
    try:
        said = json.loads(manifest.decode())
    except (ValueError, RecursionError) as error:
        raise SealedFileError("the manifest cannot be read") from error
    if not isinstance(said, dict):
        raise SealedFileError("the manifest is no JSON object")
    return said


def _listed(said: Mapping[str, object]) -> list[Listed]:
    rows = said.get("files")
    if not isinstance(rows, list):
        raise SealedFileError("the manifest lists no files")
    found = [_one(row) for row in rows]
    if len({each.name for each in found}) != len(found):
        raise SealedFileError("the manifest lists a file twice")
    return found


def _one(row: object) -> Listed:
    if not isinstance(row, dict) or set(row) != {"name", "length", "sha256"}:
        raise SealedFileError("the manifest lists something that is no file")
    name, length, digest = row["name"], row["length"], row["sha256"]
    fits = (
        (isinstance(name, str) and _NAME.fullmatch(name))
        and (type(length) is int and length >= 0)
        and (isinstance(digest, str) and _DIGEST.fullmatch(digest))
    )
    if not fits:
        raise SealedFileError("a file's name, length or digest in the manifest is none")
    return Listed(name, length, digest)
