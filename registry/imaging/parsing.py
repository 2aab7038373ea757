"""From the bytes of one file to a pydicom data set, without trusting them."""

from __future__ import annotations

import hashlib
import struct
import warnings
import zlib
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, BinaryIO, NamedTuple, cast

from pydicom import dcmread
from pydicom.datadict import dictionary_has_tag, dictionary_VR
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.errors import BytesLengthException, InvalidDicomError
from pydicom.filereader import read_dataset
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000TransferSyntaxes,
    JPEGLSTransferSyntaxes,
    JPEGTransferSyntaxes,
    RLELossless,
)

from registry.imaging.bounded import BoundedStream, ExhaustingError, refuse_many_items
from registry.imaging.sources import ZIP_BEGINNINGS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydicom.dataset import Dataset
    from pydicom.tag import BaseTag

    from registry.imaging.sources import SourceFile

# What pydicom raises on damaged input; it has no one exception for it.
DAMAGE = (
    BytesLengthException,
    InvalidDicomError,
    AttributeError,
    EOFError,
    IndexError,
    KeyError,
    NotImplementedError,
    OSError,
    OverflowError,
    RecursionError,
    RuntimeError,
    TypeError,
    ValueError,
    struct.error,
    zlib.error,
)
# A slice of 4096 x 4096 voxels of 16 bits is 32 MiB; a setting of ours, no source.
INFLATED_BYTES = 64 * 1024 * 1024
_TAIL_BYTES = 64 * 1024
_PREAMBLE_BYTES = 128
# Without file meta only the encoding that the elements themselves show is known.
_BARE_SYNTAXES = {
    (True, True): ImplicitVRLittleEndian,
    (False, True): ExplicitVRLittleEndian,
    (False, False): ExplicitVRBigEndian,
}
# Every syntax whose files are read: all but implicit and big endian are explicit little endian.
_READABLE_ENCODINGS = {
    ImplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    RLELossless,
    *JPEGTransferSyntaxes,
    *JPEGLSTransferSyntaxes,
    *JPEG2000TransferSyntaxes,
}
_META_GROUP, _IDENTIFYING_GROUP = 0x0002, 0x0008
_PIXEL_DATA, _UNDEFINED, _SHORT_HEAD = (0x7FE0, 0x0010), 0xFFFFFFFF, 12
_PIXEL_TAGS = (0x7FE00008, 0x7FE00009, 0x7FE00010)


class UnreadableError(Exception):
    """A file that cannot be read as DICOM: what it is, and why it stays out."""

    def __init__(self, what: str, why: str) -> None:
        self.what = what
        self.why = why
        super().__init__(f"{what}: {why}")


@contextmanager
def without_warnings() -> Iterator[None]:
    """Hold back pydicom's warnings about odd values: they may quote them, and they name nobody."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", module=r"pydicom(\.|$)")
        yield


class PixelPlace(NamedTuple):
    """Where in the file the pixel data's value begins, and how long it says it is.

    `length` is None where it says no length: compressed frames, each with its own.
    """

    at: int
    length: int | None


@dataclass(frozen=True)
class Head:
    """A file up to its pixels.

    Attributes
    ----------
    pixels : None where there are none, or where the file is deflated as a whole
    digest : SHA-256 of every byte before the pixel data's value; empty where `pixels` is None
    """

    dataset: Dataset
    pixels: PixelPlace | None
    digest: bytes


def read_header(source: SourceFile) -> Dataset:
    """Return the data set up to its pixels."""
    return read_head(source).dataset


def read_head(source: SourceFile) -> Head:
    """Return the data set up to its pixels, and where they lie."""
    with _damage_in_words(), source.open() as stream, without_warnings():
        dataset, is_plain = _parse(stream, stop_before_pixels=True)
        place = _pixel_place(stream, dataset) if is_plain else None
        if place is None:
            return Head(dataset, None, b"")
        _add_tail(stream, dataset, place)
        stream.seek(0)
        content = stream.read(place.at)
        refuse_many_items(content)
        return Head(dataset, place, hashlib.sha256(content).digest())


def _add_tail(stream: BinaryIO, dataset: Dataset, pixels: PixelPlace) -> None:
    """Add what stands behind uncompressed pixels: padding, signatures; where it can be read."""
    if pixels.length is None:
        return
    stream.seek(pixels.at + pixels.length)
    tail = stream.read(_TAIL_BYTES)
    if not tail:
        return
    implicit, little = dataset.original_encoding
    try:
        dataset.update(read_dataset(BytesIO(tail), bool(implicit), bool(little)))
    except DAMAGE:
        return


def read_whole(source: SourceFile) -> Dataset:
    """Return the data set with its pixels, not yet decoded."""
    with _damage_in_words(), source.open() as stream, without_warnings():
        return _parse(stream, stop_before_pixels=False)[0]


def stated_vr(dataset: Dataset, tag: BaseTag) -> str:
    """Return an element's kind of value without parsing it; '' where nobody says."""
    stated = str(dataset.get_item(tag).VR or "")
    return str(dictionary_VR(tag)) if not stated and dictionary_has_tag(tag) else stated


@contextmanager
def _damage_in_words() -> Iterator[None]:
    try:
        yield
    except ExhaustingError as error:
        raise UnreadableError("DICOM", "its header holds more than any image needs") from error
    except OSError as error:
        raise UnreadableError("unreadable file", error.strerror or str(error)) from error
    except DAMAGE as error:
        raise UnreadableError("damaged DICOM", "its header cannot be read") from error


def _parse(stream: BinaryIO, *, stop_before_pixels: bool) -> tuple[Dataset, bool]:
    """Return the data set and whether the stream stands where its parsing ended."""
    beginning = stream.read(_PREAMBLE_BYTES + 4)
    if beginning.startswith(ZIP_BEGINNINGS):
        raise UnreadableError("zip within a zip", "unpack it first")
    has_preamble = beginning[_PREAMBLE_BYTES:] == b"DICM"
    if not has_preamble and not _begins_like_dicom(beginning):
        raise UnreadableError("not DICOM", "it has no DICOM header")
    stream.seek(_PREAMBLE_BYTES + 4 if has_preamble else 0)
    with BoundedStream(stream) as bounded:
        meta = read_dataset(
            bounded, is_implicit_VR=False, is_little_endian=True, stop_when=_after_meta
        )
        syntax = meta.get("TransferSyntaxUID")
        if syntax == DeflatedExplicitVRLittleEndian:
            return _inflated(stream, meta, stop_before_pixels=stop_before_pixels), False
        if has_preamble and syntax in _READABLE_ENCODINGS:
            dataset = read_dataset(
                bounded,
                is_implicit_VR=syntax == ImplicitVRLittleEndian,
                is_little_endian=syntax != ExplicitVRBigEndian,
                stop_when=_at_pixels if stop_before_pixels else None,
            )
            dataset.file_meta = FileMetaDataset(meta)
            dataset.preamble = beginning[:_PREAMBLE_BYTES]
            return dataset, True
        stream.seek(0)
        dataset = dcmread(bounded, stop_before_pixels=stop_before_pixels, force=True)
    if not has_preamble and "SOPClassUID" not in dataset:
        raise UnreadableError("not DICOM", "it has no DICOM header")
    if "TransferSyntaxUID" not in dataset.file_meta:
        implicit, little = dataset.original_encoding
        dataset.file_meta.TransferSyntaxUID = _BARE_SYNTAXES[bool(implicit), bool(little)]
    return dataset, True


def _pixel_place(stream: BinaryIO, dataset: Dataset) -> PixelPlace | None:
    """Read the head of the element that the stream stands before (PS3.5 section 7.1)."""
    start, head = stream.tell(), stream.read(12)
    implicit, little = dataset.original_encoding
    order = "<" if little else ">"
    if len(head) < _SHORT_HEAD or struct.unpack(f"{order}HH", head[:4]) != _PIXEL_DATA:
        return None
    at = 4 if implicit else 8
    (length,) = struct.unpack(f"{order}I", head[at : at + 4])
    return PixelPlace(start + at + 4, None if length == _UNDEFINED else length)


def _begins_like_dicom(beginning: bytes) -> bool:
    """Say whether the first element is one that a file without a preamble begins with."""
    if len(beginning) < _PREAMBLE_BYTES:
        return False
    group, element = struct.unpack("<HH", beginning[:4])
    return group in {_META_GROUP, _IDENTIFYING_GROUP} and element <= 0x0070  # noqa: PLR2004 - Manufacturer, far behind any first element


def _after_meta(tag: BaseTag, _vr: str | None, _length: int) -> bool:
    return tag.group != _META_GROUP


def _at_pixels(tag: BaseTag, _vr: str | None, _length: int) -> bool:
    return tag in _PIXEL_TAGS


def _inflated(stream: BinaryIO, meta: Dataset, *, stop_before_pixels: bool) -> Dataset:
    """Return a deflated data set, inflated only as far as a slice can need.

    pydicom inflates whatever it is given before it looks at it: 400 kB can become 870 MB.
    """
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    content = inflater.decompress(stream.read(INFLATED_BYTES), INFLATED_BYTES + 1)
    if len(content) > INFLATED_BYTES:
        size = INFLATED_BYTES // (1024 * 1024)
        raise UnreadableError("deflated file", f"it unpacks to more than {size} MiB")
    if not inflater.eof:
        raise UnreadableError("damaged DICOM", "its deflated content ends too early")
    refuse_many_items(content)
    with BoundedStream(BytesIO(content)) as bounded:
        inner = read_dataset(
            bounded,
            is_implicit_VR=False,
            is_little_endian=True,
            stop_when=_at_pixels if stop_before_pixels else None,
        )
    return cast(
        "Dataset",
        FileDataset(
            BytesIO(),
            inner,
            file_meta=FileMetaDataset(meta),
            is_implicit_VR=False,
            is_little_endian=True,
        ),
    )
