"""Slices' values out of their files, one at a time, whichever way a file holds them.

A file of one slice is opened once; one of many frames stays open while its frames are asked for,
and only the frame asked for is read: uncompressed ones by their place, compressed ones by the
table of their fragments.
"""

from __future__ import annotations

import hashlib
from io import BytesIO
from typing import TYPE_CHECKING, BinaryIO

from registry.imaging.encapsulated import OddPiecesError, frame_places, joined
from registry.imaging.parsing import UnreadableError, read_whole
from registry.imaging.pixels import UndecodableError, packed_frame, plain_frame

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Any, Self

    from numpy.typing import NDArray

    from registry.imaging.pixels import PixelForm
    from registry.imaging.slices import SliceHeader
    from registry.imaging.sources import SourceFile


class ChangedError(Exception):
    """The file is not the one whose header was looked at."""


class Frames:
    """Gives slices' values; holds at most one file open, until it is closed."""

    def __init__(self) -> None:
        self._source: SourceFile | None = None
        self._stream: BinaryIO = BytesIO()
        self._table: list[tuple[int, int]] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file that is open."""
        self._stream.close()
        self._source, self._table = None, []

    def raw(self, header: SliceHeader) -> NDArray[Any]:
        """Return a slice's values as they stand in the file, rows x columns.

        Raises
        ------
        UndecodableError : its pixels are missing, cut short, damaged or not read here
        ChangedError : the file changed since its header was read
        UnreadableError : the file cannot be opened
        """
        form = header.pixels
        if header.source is not self._source:
            self.close()
            self._open(header)
        try:
            if form.syntax.is_encapsulated:
                return packed_frame(self._packed(header.frame or 0), form)
            return plain_frame(self._plain(header.frame or 0, form), form)
        except OSError as error:
            raise UnreadableError("unreadable file", error.strerror or str(error)) from error

    def _plain(self, frame: int, form: PixelForm) -> bytes:
        begin = frame * form.frame_bytes
        if form.place is None:
            self._stream.seek(begin)
            return self._stream.read(form.frame_bytes)
        room = (form.place.length or 0) - begin
        self._stream.seek(form.place.at + begin)
        return self._stream.read(max(0, min(form.frame_bytes, room)))

    def _packed(self, frame: int) -> bytes:
        at, length = self._table[frame]
        self._stream.seek(at)
        content = self._stream.read(length)
        try:
            return joined(content)
        except OddPiecesError as error:
            raise UndecodableError(str(error)) from error

    def _open(self, header: SliceHeader) -> None:
        form = header.pixels
        if form.place is None:
            self._stream = _inflated_pixels(header)
        else:
            try:
                self._stream = header.source.open()
                if hashlib.sha256(self._stream.read(form.place.at)).digest() != form.head_digest:
                    raise ChangedError
                if form.syntax.is_encapsulated:
                    self._table = frame_places(self._stream, form.frames)
            except OddPiecesError as error:
                raise UndecodableError(str(error)) from error
            except OSError as error:
                raise UnreadableError("unreadable file", error.strerror or str(error)) from error
        self._source = header.source


def _inflated_pixels(header: SliceHeader) -> BinaryIO:
    """Return the pixel data of a file that is deflated as a whole; it is small, see `parsing`."""
    dataset = read_whole(header.source)
    if dataset.get("SOPInstanceUID") != header.sop_uid:
        raise ChangedError
    if "PixelData" not in dataset:
        raise UndecodableError("it has no pixel data")
    return BytesIO(dataset.PixelData)
