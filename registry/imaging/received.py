"""One received instance: where it belongs, its bytes as a file, and what the sender is answered."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from io import BytesIO
from typing import TYPE_CHECKING, Final, cast

from pydicom.dataset import FileMetaDataset
from pydicom.filebase import DicomBytesIO
from pydicom.filereader import read_dataset
from pydicom.filewriter import write_file_meta_info
from pydicom.tag import Tag
from pydicom.uid import UID

from registry.domain.problems import ProblemError
from registry.imaging.parsing import DAMAGE, without_warnings

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import BinaryIO

    from pydicom.dataset import Dataset
    from pydicom.tag import BaseTag
    from pynetdicom.dimse_primitives import C_STORE
    from pynetdicom.events import Event

# PS3.4 Table B.2-1: success; refused, out of resources; data set does not match SOP class; cannot
# understand.
STORED: Final = 0x0000
OUT_OF_RESOURCES: Final = 0xA700
NOT_ITS_CLASS: Final = 0xA900
NOT_UNDERSTOOD: Final = 0xC000
# What stands before the study's identifier (0020,000D); a setting of ours, no source.
_HEADER_BYTES = 16 * 1024 * 1024
_CLASS, _INSTANCE, _STUDY = Tag(0x0008, 0x0016), Tag(0x0008, 0x0018), Tag(0x0020, 0x000D)
# pydicom's `generate_uid` draws from 2.25; this one is ours for good (a UUID, PS3.5 Annex B.2).
IMPLEMENTATION = UID("2.25.126801993730569070261657752476014212959")


@dataclass(frozen=True)
class Received:
    """An instance as a file.

    Attributes
    ----------
    study_uid : the study it says that it belongs to; an identifier
    content : stream of the file's bytes: own file meta, then the data set as the sender encoded it
    """

    study_uid: str = field(repr=False)
    content: BinaryIO = field(repr=False)


class RefusedError(Exception):
    """An instance is not taken: the status that the sender is answered, and why in words."""

    def __init__(self, status: int, words: str) -> None:
        self.status = status
        super().__init__(words)


def status_of(take: Callable[[], None]) -> tuple[int, str]:
    """Return what the sender of an instance is answered, and why it was not taken.

    Success only where `take` returned, which is when the bytes are safe on disk.
    """
    try:
        take()
    except RefusedError as refused:
        return refused.status, str(refused)
    except ProblemError as problem:
        return OUT_OF_RESOURCES, "; ".join(problem.lines())
    except OSError as error:
        return OUT_OF_RESOURCES, f"the operating system refused: {error.strerror or error}"
    except Exception as error:  # noqa: BLE001 - the sender has to be told whatever happened
        # Not the error's own words: they may quote what was sent. A sender tries again later.
        return OUT_OF_RESOURCES, f"the program failed ({type(error).__name__})"
    return STORED, ""


def received_instance(event: Event) -> Received:
    """Return the instance of a C-STORE request; RefusedError where it is not what it is said to be.

    The data set is parsed as far as its study's identifier and no further.
    """
    request = cast("C_STORE", event.request)
    sent = request.DataSet
    syntax = UID(event.context.transfer_syntax)
    if sent is None:
        raise RefusedError(NOT_UNDERSTOOD, "an instance without a data set")
    header = _header(sent, syntax)
    sop_class, instance = request.AffectedSOPClassUID, request.AffectedSOPInstanceUID
    if not sop_class or _text(header, _CLASS) != sop_class:
        raise RefusedError(NOT_ITS_CLASS, "the data set is of another class than was announced")
    if not instance or _text(header, _INSTANCE) != instance:
        raise RefusedError(NOT_UNDERSTOOD, "the data set is another instance than was announced")
    study = _text(header, _STUDY)
    if not study:
        raise RefusedError(NOT_UNDERSTOOD, "the data set names no study")
    return Received(
        study, io.BufferedReader(_Joined(_file_meta(sop_class, instance, syntax), sent))
    )


def _header(sent: BytesIO, syntax: UID) -> Dataset:
    beginning = BytesIO(sent.getbuffer()[:_HEADER_BYTES])
    try:
        with without_warnings():
            return read_dataset(
                beginning,
                is_implicit_VR=syntax.is_implicit_VR,
                is_little_endian=syntax.is_little_endian,
                stop_when=_after_study,
                specific_tags=[_CLASS, _INSTANCE, _STUDY],
            )
    except DAMAGE:
        raise RefusedError(NOT_UNDERSTOOD, "the data set cannot be read") from None


def _after_study(tag: BaseTag, _vr: str | None, _length: int) -> bool:
    return bool(tag > _STUDY)


def _text(header: Dataset, tag: BaseTag) -> str:
    try:
        value = header[tag].value if tag in header else ""
    except DAMAGE:
        raise RefusedError(NOT_UNDERSTOOD, "an identifier of the data set cannot be read") from None
    return str(value or "").strip().rstrip("\0")


def _file_meta(sop_class: UID, instance: UID, syntax: UID) -> bytes:
    """Return preamble and file meta (PS3.10 section 7.1), without a word of who sent it."""
    meta = FileMetaDataset()
    meta.FileMetaInformationVersion = b"\x00\x01"
    meta.MediaStorageSOPClassUID = sop_class
    meta.MediaStorageSOPInstanceUID = instance
    meta.TransferSyntaxUID = syntax
    meta.ImplementationClassUID = IMPLEMENTATION
    meta.ImplementationVersionName = "PEDICLE_LEDGER"
    written = DicomBytesIO()
    written.is_little_endian, written.is_implicit_VR = True, False
    write_file_meta_info(written, meta, enforce_standard=True)
    return b"\0" * 128 + b"DICM" + written.getvalue()


class _Joined(io.RawIOBase):
    """File meta and data set as one stream, the data set not copied."""

    def __init__(self, meta: bytes, sent: BytesIO) -> None:
        self._parts = [memoryview(meta), sent.getbuffer()]
        self._at = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at}.get(whence, sum(map(len, self._parts)))
        self._at = max(0, base + offset)
        return self._at

    def readinto(self, room: memoryview) -> int:  # type: ignore[override]
        start = self._at
        for part in self._parts:
            if start < len(part):
                taken = part[start : start + len(room)]
                room[: len(taken)] = taken
                self._at += len(taken)
                return len(taken)
            start -= len(part)
        return 0
