"""A series that names somebody wherever DICOM lets it: a token in every attribute that could.

The attributes are those of PS3.15 Table E.1-1, edition 2026c, as the package dicom-anonymizer
2.1.0 (BSD) transcribes it, by tag number; besides them nested sequences, private blocks, curves,
overlays, the preamble, the file's own header, padding, names and comments.
"""

from __future__ import annotations

import base64
import zipfile
from typing import TYPE_CHECKING

from dicomanonymizer.dicom_anonymization_databases.dicomfields_2026c import ALL_TAGS
from pydicom import Dataset
from pydicom.datadict import dictionary_has_tag, dictionary_VR
from pydicom.sequence import Sequence
from pydicom.tag import Tag

from tests.imaging.written_files import encoded, slices

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pydicom.dataset import FileDataset
    from pydicom.uid import UID

WORD = "QPLANT"
ACCENTED = "QPLÄNT"
UID_WORD = "2.999.770077"
NUMBER = "77007700"
DAYS = ("19010203", "1901-02-03", "03.02.1901")
# What the reading has to understand: the day of the scan stays with the case.
_SENSIBLE = {0x00080022}
_TEXTS = {"AE", "CS", "LO", "LT", "PN", "SH", "ST", "UC", "UR", "UT"}
_FIXED = {
    "DA": DAYS[0],
    "DT": DAYS[0] + "040506",
    "TM": "040506.770077",
    "AS": "077Y",
    "DS": NUMBER,
    "IS": NUMBER,
}
_UNKNOWN = {"UN", "OB", "OW", "OF", "OD", "OL", "OV"}


def planted_slices(count: int = 9) -> list[FileDataset]:
    """Return a readable series, each slice with a token everywhere."""
    made = slices(count)
    for index, dataset in enumerate(made):
        _plant(dataset, index)
    return made


def write_planted(folder: Path, syntax: UID) -> Path:
    """Write the series as a zip whose names and comments name somebody too; return it."""
    path = folder / f"{WORD} folder" / f"{WORD}.zip"
    path.parent.mkdir(parents=True)
    with zipfile.ZipFile(path, "w") as archive:
        archive.comment = f"{WORD} {UID_WORD}".encode()
        for index, dataset in enumerate(planted_slices()):
            member = zipfile.ZipInfo(f"{WORD} family/{WORD}{index}.dcm")
            member.comment = WORD.encode()
            content = encoded(dataset, syntax)
            archive.writestr(member, content)
        archive.writestr(f"{WORD}.txt", f"{WORD} {ACCENTED}")
    return path


def _plant(dataset: FileDataset, index: int) -> None:
    dataset.SpecificCharacterSet = "ISO_IR 100"
    _put_all(dataset, index)
    dataset.PatientName = f"{ACCENTED}^{WORD}"
    dataset.PatientID = f"{WORD}-ID"
    for number, keyword in enumerate(
        ("StudyInstanceUID", "SeriesInstanceUID", "FrameOfReferenceUID"), start=1
    ):
        setattr(dataset, keyword, f"{UID_WORD}.{number}")
    dataset.SOPInstanceUID = f"{UID_WORD}.9.{index + 1}"
    inner, deeper = Dataset(), Dataset()
    _put_all(deeper, index)
    _put_all(inner, index)
    inner.ReferencedStudySequence = Sequence([deeper])
    dataset.RequestAttributesSequence = Sequence([inner])
    for group in (0x0009, 0x0029, 0x7FE1):
        block = dataset.private_block(group, f"{WORD} OWNER", create=True)
        block.add_new(1, "LO", WORD)
        block.add_new(2, "OB", WORD.encode("utf-16-le") + WORD.encode())
    dataset.add_new(0x60003000, "OW", WORD.encode() * 4)
    dataset.add_new(0x60004000, "LT", WORD)
    dataset.add_new(0x50000040, "LO", WORD)
    dataset.add_new(0x00100047, "UN", WORD.encode())
    dataset.DataSetTrailingPadding = WORD.encode() * 20
    # Texts of a maker's, which are kept where they are a product's words.
    dataset.Manufacturer = f"Works of {WORD}"
    dataset.ManufacturerModelName = f"{WORD} 5"
    dataset.ConvolutionKernel = ["BONE", WORD]
    dataset.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL", WORD]
    dataset.preamble = (WORD * 30).encode()[:128]
    meta = dataset.file_meta
    meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    meta.SourceApplicationEntityTitle = WORD
    meta.SendingApplicationEntityTitle = WORD
    meta.ReceivingApplicationEntityTitle = WORD
    meta.PrivateInformationCreatorUID = f"{UID_WORD}.5"
    meta.PrivateInformation = WORD.encode()


def _put_all(dataset: Dataset, index: int) -> None:
    """Put a token into each attribute of the table that can hold one."""
    for number, (group, element, *mask) in enumerate(ALL_TAGS):
        tag = Tag(group, element)
        if mask or group in {0x0000, 0x0002} or int(tag) in _SENSIBLE:
            continue
        vr = str(dictionary_VR(tag)) if dictionary_has_tag(tag) else "UN"
        value = _value(vr, number, index)
        if value is not None:
            dataset.add_new(tag, vr, value)


def _value(vr: str, number: int, index: int) -> str | bytes | Sequence | None:
    token = f"{WORD}{number:04d}"
    if vr in _TEXTS:
        return token
    if vr == "UI":
        return f"{UID_WORD}.{number}.{index}"
    if vr in _UNKNOWN:
        return (token + " ").encode() if len(token) % 2 else token.encode()
    if vr == "SQ":
        item = Dataset()
        item.PersonName = token
        item.CodeMeaning = token
        return Sequence([item])
    return _FIXED.get(vr)


def planted_count(dataset: Dataset) -> int:
    """Return how many attributes of the table a slice holds, at its top."""
    listed = {(tag[0], tag[1]) for tag in ALL_TAGS}
    return sum((tag.group, tag.element) in listed for tag in dataset.keys())  # noqa: SIM118 - unparsed


def tokens_in(content: bytes) -> list[str]:
    """Return every planted token that stands in some bytes, in whatever of the usual forms."""
    folded = content.lower()
    return [name for name, form, is_exact in _FORMS if form in (content if is_exact else folded)]


def _forms() -> Iterator[tuple[str, bytes, bool]]:
    """Yield a name, the bytes to look for, and whether capitals matter."""
    for text in (WORD, ACCENTED, UID_WORD, NUMBER, "770077", *DAYS):
        for encoding in ("utf-8", "latin-1", "utf-16-le", "utf-16-be"):
            yield f"{text} in {encoding}", text.encode(encoding).lower(), False
        yield f"{text} escaped", text.encode("unicode_escape").lower(), False
        yield f"{text} in hexadecimal", text.encode().hex().encode(), False
        for before in range(3):
            # Of each of the three ways in which base64 can fall, what the text alone decides.
            packed = base64.b64encode(b"\0" * before + text.encode())
            alone = packed[-(-before * 8 // 6) : len(packed) - (4 if b"=" in packed else 0)]
            if len(alone) >= _TELLING:
                yield f"{text} in base64", alone, True


_TELLING = 6
_FORMS = tuple(_forms())
