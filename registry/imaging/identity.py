"""What names the patient or the study, apart from what may be kept with the image."""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pydicom.dataset import Dataset

    from registry.imaging.slices import SliceHeader

# Patient Position's defined terms: PS3.3 C.7.3.1.1.2 (decubitus and prone ones included).
_PATIENT_POSITIONS = {"HFS", "HFP", "HFDR", "HFDL", "FFS", "FFP", "FFDR", "FFDL"}
_CODE_STRING = re.compile(r"[A-Z0-9_ ]{1,16}")
_KEPT_TEXT = 64
_TELLING_LETTERS = 4


@dataclass(frozen=True, repr=False)
class ScanIdentity:
    """The hospital's own identifiers of a scan, for the encrypted vault and nothing else.

    `sop_uids` are in slice order, so that a report can point at the slice a voxel came from.
    """

    patient_id: str
    patient_name: str
    birth_date: str
    sex: str
    accession: str
    study_uid: str
    study_id: str
    study_date: str
    study_time: str
    referring_physician: str
    series_uid: str
    frame_of_reference_uid: str
    sop_class_uid: str
    sop_uids: tuple[str, ...]

    def __repr__(self) -> str:
        return "ScanIdentity(not shown)"

    def document(self) -> dict[str, Any]:
        """Return it as a JSON document, to be encrypted."""
        return asdict(self) | {"sop_uids": list(self.sop_uids)}


def identity_of(dataset: Dataset, slices: Sequence[SliceHeader]) -> ScanIdentity:
    """Return the identifiers of a series: its first slice's, and every slice's own."""

    def text(keyword: str) -> str:
        return str(dataset.get(keyword) or "").strip()

    return ScanIdentity(
        patient_id=text("PatientID"),
        patient_name=text("PatientName"),
        birth_date=text("PatientBirthDate"),
        sex=text("PatientSex"),
        accession=text("AccessionNumber"),
        study_uid=text("StudyInstanceUID"),
        study_id=text("StudyID"),
        study_date=text("StudyDate"),
        study_time=text("StudyTime"),
        referring_physician=text("ReferringPhysicianName"),
        series_uid=text("SeriesInstanceUID"),
        frame_of_reference_uid=text("FrameOfReferenceUID"),
        sop_class_uid=text("SOPClassUID"),
        sop_uids=tuple(each.sop_uid for each in slices),
    )


def kept_words(dataset: Dataset, identity: ScanIdentity) -> dict[str, Any]:
    """Return the few attributes in words that PS3.15's Table E.1-1 lets stand, where well formed.

    A text that repeats one of the scan's identifiers is dropped, wherever it was written.
    """
    words: dict[str, Any] = {
        "manufacturer": _text(dataset, "Manufacturer"),
        "model": _text(dataset, "ManufacturerModelName"),
        "kernel": _text(dataset, "ConvolutionKernel"),
        "body_part": _coded(dataset, "BodyPartExamined"),
    }
    position = str(dataset.get("PatientPosition") or "").strip()
    words["patient_position"] = position if position in _PATIENT_POSITIONS else ""
    return {name: value for name, value in words.items() if value and not _repeats(value, identity)}


def kept_image_type(image_type: Sequence[str], identity: ScanIdentity) -> list[str]:
    """Return Image Type's words that are code strings and repeat no identifier."""
    return [
        word for word in image_type if _CODE_STRING.fullmatch(word) and not _repeats(word, identity)
    ]


def _text(dataset: Dataset, keyword: str) -> str:
    value = dataset.get(keyword) or ""
    text = value if isinstance(value, str) else "/".join(map(str, value))
    return "".join(letter for letter in text if letter.isprintable()).strip()[:_KEPT_TEXT]


def _coded(dataset: Dataset, keyword: str) -> str:
    value = str(dataset.get(keyword) or "").strip().upper()
    return value if _CODE_STRING.fullmatch(value) else ""


def _repeats(text: str, identity: ScanIdentity) -> bool:
    named = [
        identity.patient_id,
        identity.accession,
        identity.study_id,
        *re.split(r"[\^= ]+", f"{identity.patient_name}^{identity.referring_physician}"),
    ]
    folded = text.casefold()
    return any(len(word) >= _TELLING_LETTERS and word.casefold() in folded for word in named)
