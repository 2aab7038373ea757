"""What a compressed frame says of its own size, read before any decoder sees it.

A frame that disagrees with its header makes a decoder ask for far more memory than a slice needs
or, in GDCM, ends the whole process.
"""

from __future__ import annotations

from typing import NamedTuple

_JPEG2000_START = b"\xff\x4f\xff\x51"
_JPEG_START = b"\xff\xd8"
# Markers of ITU-T T.81 Table B.1; F7 and F8 are JPEG-LS's (T.87 Annex C).
_HUFFMAN_TABLES, _SCAN, _JPEG_LS_FRAME = 0xC4, 0xDA, 0xF7
_FRAME_MARKERS = (set(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}) | {_JPEG_LS_FRAME}
_TABLE_MARKERS = {_HUFFMAN_TABLES, 0xCC, 0xDB, 0xDC, 0xDD, *range(0xE0, 0xF0), 0xF8, 0xFE}


class FrameSize(NamedTuple):
    """A frame's own rows, columns, components and bits a sample."""

    rows: int
    columns: int
    components: int
    bits: int


def frame_size(frame: bytes) -> FrameSize | None:
    """Return the size that a JPEG, JPEG-LS or JPEG 2000 frame gives; None where it gives none."""
    try:
        if frame.startswith(_JPEG_START):
            return _jpeg(frame)
        # Some files wrap the codestream in boxes, which PS3.5 section 8.2.4 does not ask for.
        start = frame.find(_JPEG2000_START, 0, 4096)
        return _jpeg2000(frame[start:]) if start >= 0 else None
    except IndexError:
        return None


def _jpeg(frame: bytes) -> FrameSize | None:
    """Return the start of frame's size (T.81 B.2.2: length, P, Y, X, Nf), the tables being there.

    GDCM ends the process where a table that the scan needs never came.
    """
    size, has_tables, at = None, False, 2
    while (marker := _marker(frame, at)) in _FRAME_MARKERS | _TABLE_MARKERS:
        if marker in _FRAME_MARKERS:
            size = FrameSize(
                rows=_number(frame, at + 5, 2),
                columns=_number(frame, at + 7, 2),
                components=frame[at + 9],
                bits=frame[at + 4],
            )
        has_tables = has_tables or marker in {_HUFFMAN_TABLES, _JPEG_LS_FRAME}
        at += 2 + _number(frame, at + 2, 2)
    return size if marker == _SCAN and has_tables else None


def _marker(frame: bytes, at: int) -> int:
    return _number(frame, at + 1, 1) if frame[at] == 0xFF else 0  # noqa: PLR2004 - T.81 B.1.1.2


def _jpeg2000(frame: bytes) -> FrameSize:
    """Read the SIZ segment (ITU-T T.800 A.5.1), its offset and tiles included."""
    wide, high, left, top = (_number(frame, at, 4) for at in (8, 12, 16, 20))
    return FrameSize(
        rows=high - top,
        columns=wide - left,
        components=_number(frame, 40, 2),
        bits=(frame[42] & 0x7F) + 1,
    )


def _number(content: bytes, at: int, size: int) -> int:
    if at + size > len(content):
        raise IndexError(at)
    return int.from_bytes(content[at : at + size], "big")
