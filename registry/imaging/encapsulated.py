"""Where compressed frames lie in a file: the items of encapsulated pixel data, PS3.5 Annex A.4.

Walked here and not by pydicom, so that a table or a number of pieces that no image needs is
refused before it is held in memory.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from typing import BinaryIO

# A slice is seldom in more than some hundred pieces; a setting of ours, no source.
MOST_PIECES = 100_000
_ITEM, _END, _HEAD = 0xFFFEE000, 0xFFFEE0DD, 8
_UNDEFINED = 0xFFFFFFFF


class OddPiecesError(Exception):
    """The pieces do not make the frames announced; the message says how."""


def frame_places(stream: BinaryIO, frames: int) -> list[tuple[int, int]]:
    """Return where each frame's pieces begin and how long they are, their item heads included.

    One piece a frame, or the Basic Offset Table, tells the frames apart; a single frame may be in
    many pieces. `stream` stands at the table's item.
    """
    offsets = _offset_table(stream, frames)
    first = stream.tell()
    starts, end = _pieces(stream)
    if len(starts) == frames:
        begins = starts
    elif frames == 1 and starts:
        begins = starts[:1]
    elif offsets and set(offsets) <= {start - first for start in starts}:
        begins = [first + offset for offset in offsets]
    else:
        raise OddPiecesError(
            f"it announces {frames} frames and holds {len(starts)} compressed pieces"
        )
    places = [
        (begin, following - begin)
        for begin, following in zip(begins, [*begins[1:], end], strict=True)
    ]
    if min(length for _, length in places) <= 0:
        raise OddPiecesError("its compressed pixel data are damaged")
    return places


def joined(content: bytes) -> bytes:
    """Return a frame out of its pieces, or raise OddPiecesError where they end too early."""
    at, pieces = 0, []
    while at < len(content):
        tag, length = _head(content[at : at + _HEAD])
        if tag != _ITEM or at + _HEAD + length > len(content):
            raise OddPiecesError("its compressed pixel data are cut short")
        pieces.append(content[at + _HEAD : at + _HEAD + length])
        at += _HEAD + length
    return b"".join(pieces)


def _offset_table(stream: BinaryIO, frames: int) -> tuple[int, ...]:
    """Return the table where it has an entry a frame, and leave the stream behind it."""
    tag, length = _head(stream.read(_HEAD))
    if tag != _ITEM or length == _UNDEFINED:
        raise OddPiecesError("its compressed pixel data are damaged")
    if length != 4 * frames:
        stream.seek(length, 1)
        return ()
    table = stream.read(length)
    if len(table) < length:
        raise OddPiecesError("its compressed pixel data are cut short")
    return struct.unpack(f"<{frames}I", table)


def _pieces(stream: BinaryIO) -> tuple[list[int], int]:
    """Return where each piece's item begins, and where the last one ends."""
    starts: list[int] = []
    at = stream.tell()
    while True:
        tag, length = _head(stream.read(_HEAD))
        if tag != _ITEM:
            break
        if length == _UNDEFINED or len(starts) == MOST_PIECES:
            raise OddPiecesError("its compressed pixel data are damaged")
        starts.append(at)
        at += _HEAD + length
        stream.seek(at)
    if tag not in {_END, 0}:
        raise OddPiecesError("its compressed pixel data are damaged")
    return starts, at


def _head(content: bytes) -> tuple[int, int]:
    """Return an item's tag and length; zeros where the file has ended."""
    if len(content) < _HEAD:
        return 0, 0
    group, element, length = struct.unpack("<HHI", content)
    return group << 16 | element, length
