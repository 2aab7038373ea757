"""A stream for the header parser that ends a header made to exhaust it.

An empty item of a sequence is eight bytes in a file and nearly a kilobyte once parsed: a file of
some megabytes could take minutes and all the memory there is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
    from types import TracebackType
    from typing import BinaryIO

# A multi-frame image of 5,000 frames needs some 50,000 items and 250,000 reads; settings of ours,
# no source.
MOST_ITEMS = 200_000
MOST_READS = 500_000
MOST_HEAD_BYTES = 64 * 1024 * 1024
# (FFFE,E000) in either byte order: PS3.5 section 7.5.
_ITEMS = (b"\xfe\xff\x00\xe0", b"\xff\xfe\xe0\x00")


class ExhaustingError(Exception):
    """The header holds more than any image needs."""


class BoundedStream:
    """Reads on behalf of the parser and counts: reads, bytes, and items of sequences.

    The parser may turn what is raised here into another error; leaving the block turns it back.
    """

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._reads = self._bytes = self._items = 0
        self._is_exhausted = False
        self.seek, self.tell = stream.seek, stream.tell

    def __enter__(self) -> BinaryIO:
        return cast("BinaryIO", self)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._is_exhausted:
            raise ExhaustingError from error

    def read(self, size: int = -1) -> bytes:
        """Read up to `size` bytes."""
        content = self._stream.read(size if 0 <= size <= MOST_HEAD_BYTES else MOST_HEAD_BYTES + 1)
        self._reads += 1
        self._bytes += len(content)
        if content[:4] in _ITEMS:
            self._items += 1
        if self._reads > MOST_READS or self._items > MOST_ITEMS or self._bytes > MOST_HEAD_BYTES:
            self._is_exhausted = True
            raise ExhaustingError
        return content


def refuse_many_items(head: bytes) -> None:
    """Refuse a head whose sequences, not yet parsed, hold too many items."""
    if sum(head.count(item) for item in _ITEMS) > MOST_ITEMS:
        raise ExhaustingError
