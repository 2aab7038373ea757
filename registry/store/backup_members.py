"""The members inside a backup, each with a name and a digest, written and read as a stream.

A member is its name (two bytes of length, then the name) and blocks (four bytes of length, then
the bytes), ended by an empty block. The last member lists the digests of all others.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from registry.store.sealed_stream import SealedReader, SealedWriter

MANIFEST, CONFIG, DIGESTS = "manifest.json", "config.toml", "digests.json"
ROWS, IMAGES, PICTURES, SEALED = "rows/", "images/", "pictures/", "sealed/"
# Nothing else is ever given a place on the disk: no other folder, no dots that climb.
_NAME = re.compile(
    r"manifest\.json|config\.toml|digests\.json|rows/[a-z_]{1,60}|"
    r"(images|pictures|sealed)/[0-9a-f]{64}"
)
_LONGEST_BLOCK = 1024 * 1024
LONGEST_DOCUMENT = 64 * 1024 * 1024
"""More than any list of images comes to; a document beyond it is not read into memory."""


class MemberWriter:
    """Writes members; `finish` adds their digests."""

    def __init__(self, sink: SealedWriter) -> None:
        self._sink = sink
        self.digests: dict[str, str] = {}

    def add(self, name: str, blocks: Iterable[bytes]) -> str:
        """Write one member; return the SHA-256 of its bytes."""
        written = name.encode()
        if not _NAME.fullmatch(name) or name in self.digests:
            raise ValueError(f"no member of a backup: {name!r}")
        self._sink.write(len(written).to_bytes(2, "big") + written)
        digest = hashlib.sha256()
        for block in blocks:
            for start in range(0, len(block), _LONGEST_BLOCK):
                piece = block[start : start + _LONGEST_BLOCK]
                digest.update(piece)
                self._sink.write(len(piece).to_bytes(4, "big") + piece)
        self._sink.write(bytes(4))
        self.digests[name] = digest.hexdigest()
        return self.digests[name]

    def add_document(self, name: str, document: object) -> None:
        """Write one member of JSON."""
        self.add(name, [json.dumps(document, sort_keys=True).encode()])

    def finish(self) -> None:
        """Write the digests and end the stream."""
        self.add_document(DIGESTS, dict(self.digests))
        self._sink.close()


@dataclass(frozen=True)
class Member:
    """One member; its blocks can be taken once."""

    name: str
    blocks: Iterator[bytes]

    def whole(self) -> bytes:
        """Return a small member's bytes."""
        content = bytearray()
        for block in self.blocks:
            content += block
            if len(content) > LONGEST_DOCUMENT:
                raise BadInputError(Fault("longer than any that this program writes", self.name))
        return bytes(content)


class MemberReader:
    """Gives members in their order and, at the end, holds them against their digests."""

    def __init__(self, source: SealedReader, name: str) -> None:
        self._source = source
        self._file_name = name
        self.digests: dict[str, str] = {}

    def members(self) -> Iterator[Member]:
        """Yield each member but the digests; what was not taken of one is passed over."""
        while True:
            name = self._name()
            blocks = self._blocks(name)
            if name == DIGESTS:
                self._compare(Member(name, blocks).whole())
                self._source.require_end()
                return
            yield Member(name, blocks)
            for _ in blocks:
                pass

    def _name(self) -> str:
        length = int.from_bytes(self._source.read(2), "big")
        name = self._source.read(length).decode("utf-8", "backslashreplace")
        if not _NAME.fullmatch(name) or name in self.digests:
            raise BadInputError(
                Fault(f"a member has the name {name!r}, which no backup has", self._file_name)
            )
        return name

    def _blocks(self, name: str) -> Iterator[bytes]:
        digest = hashlib.sha256()
        while length := int.from_bytes(self._source.read(4), "big"):
            if length > _LONGEST_BLOCK:
                raise self._source.not_whole()
            block = self._source.read(length)
            digest.update(block)
            yield block
        self.digests[name] = digest.hexdigest()

    def _compare(self, written: bytes) -> None:
        try:
            said = dict(json.loads(written))
        except (ValueError, TypeError):
            raise self._source.not_whole() from None
        found = {name: digest for name, digest in self.digests.items() if name != DIGESTS}
        if said != found:
            wrong = sorted(
                name for name in said.keys() | found.keys() if said.get(name) != found.get(name)
            )
            raise BadInputError(
                Fault(f"{', '.join(wrong[:5])}: not as the digests say", self._file_name)
            )
