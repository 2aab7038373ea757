"""From the bytes of one file to a pydicom data set, without trusting them."""

from __future__ import annotations

import struct
import warnings
import zlib
from contextlib import contextmanager
from io import BytesIO
from typing import TYPE_CHECKING, BinaryIO, cast

from pydicom import dcmread
from pydicom.datadict import dictionary_has_tag, dictionary_VR
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.errors import InvalidDicomError
from pydicom.filereader import read_dataset
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
)

from registry.imaging.sources import ZIP_BEGINNINGS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydicom.dataset import Dataset
    from pydicom.tag import BaseTag

    from registry.imaging.sources import SourceFile

# What pydicom raises on damaged input; it has no one exception for it.
DAMAGE = (
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
_PREAMBLE_BYTES = 128
# Without file meta only the encoding that the elements themselves show is known.
_BARE_SYNTAXES = {
    (True, True): ImplicitVRLittleEndian,
    (False, True): ExplicitVRLittleEndian,
    (False, False): ExplicitVRBigEndian,
}
_META_GROUP, _IDENTIFYING_GROUP = 0x0002, 0x0008
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


def read_header(source: SourceFile) -> Dataset:
    """Return the data set up to its pixels."""
    return _read(source, stop_before_pixels=True)


def read_whole(source: SourceFile) -> Dataset:
    """Return the data set with its pixels, not yet decoded."""
    return _read(source, stop_before_pixels=False)


def stated_vr(dataset: Dataset, tag: BaseTag) -> str:
    """Return an element's kind of value without parsing it; '' where nobody says."""
    stated = str(dataset.get_item(tag).VR or "")
    return str(dictionary_VR(tag)) if not stated and dictionary_has_tag(tag) else stated


def _read(source: SourceFile, *, stop_before_pixels: bool) -> Dataset:
    try:
        with source.open() as stream, without_warnings():
            return _parse(stream, stop_before_pixels=stop_before_pixels)
    except OSError as error:
        raise UnreadableError("unreadable file", error.strerror or str(error)) from error
    except DAMAGE as error:
        raise UnreadableError("damaged DICOM", "its header cannot be read") from error


def _parse(stream: BinaryIO, *, stop_before_pixels: bool) -> Dataset:
    beginning = stream.read(_PREAMBLE_BYTES + 4)
    if beginning.startswith(ZIP_BEGINNINGS):
        raise UnreadableError("zip within a zip", "unpack it first")
    has_preamble = beginning[_PREAMBLE_BYTES:] == b"DICM"
    if not has_preamble and not _begins_like_dicom(beginning):
        raise UnreadableError("not DICOM", "it has no DICOM header")
    stream.seek(_PREAMBLE_BYTES + 4 if has_preamble else 0)
    meta = read_dataset(stream, is_implicit_VR=False, is_little_endian=True, stop_when=_after_meta)
    if meta.get("TransferSyntaxUID") == DeflatedExplicitVRLittleEndian:
        return _inflated(stream, meta, stop_before_pixels=stop_before_pixels)
    stream.seek(0)
    dataset = dcmread(stream, stop_before_pixels=stop_before_pixels, force=True)
    if not has_preamble and "SOPClassUID" not in dataset:
        raise UnreadableError("not DICOM", "it has no DICOM header")
    if "TransferSyntaxUID" not in dataset.file_meta:
        implicit, little = dataset.original_encoding
        dataset.file_meta.TransferSyntaxUID = _BARE_SYNTAXES[bool(implicit), bool(little)]
    return dataset


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
    inner = read_dataset(
        BytesIO(content),
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
