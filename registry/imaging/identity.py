"""What names the patient or the study, apart from what may be kept with the image."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any

from pydicom.multival import MultiValue

from registry.imaging.parsing import DAMAGE, stated_vr, without_warnings

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from pydicom.dataset import Dataset
    from pydicom.tag import BaseTag

    from registry.imaging.slices import SliceHeader

# Patient Position's defined terms: PS3.3 C.7.3.1.1.2 (decubitus and prone ones included).
_PATIENT_POSITIONS = {"HFS", "HFP", "HFDR", "HFDL", "FFS", "FFP", "FFDR", "FFDL"}
# Terms of PS3.16 Annex L for what a CT of the spine covers: from memory, not verified.
_BODY_PARTS = {
    *("SPINE", "CSPINE", "TSPINE", "LSPINE", "SSPINE", "CTSPINE", "TLSPINE", "LSSPINE", "SACRUM"),
    *("COCCYX", "SIJOINT", "PELVIS", "ABDOMEN", "ABDOMENPELVIS", "CHEST", "CHESTABDOMEN"),
    *("CHESTABDPELVIS", "THORAX", "NECK", "NECKCHEST", "HEADNECK", "WHOLEBODY"),
}
# Values 1 to 3 are the CT Image Module's (PS3.3 C.8.2.1.1.1); the rest are words for how an image
# was made: common practice, no source. A word of one maker's own is not kept.
_IMAGE_TYPES = {
    *("ORIGINAL", "DERIVED", "PRIMARY", "SECONDARY", "AXIAL", "LOCALIZER"),
    *("VOLUME", "REFORMATTED", "MPR", "RESAMPLED", "AVERAGE", "NORM", "NONE"),
}
# A product's name: words of letters, digits and a few signs, with no long number and no day in it.
_PRODUCT = re.compile(r"[A-Za-z0-9][A-Za-z0-9 .,/&+()_-]*")
_LONG_NUMBER = re.compile(r"\d[\d./_-]{4,}")
_LONGEST = {"manufacturer": 40, "model": 32, "kernel": 32}
_LEAST_KVP, _MOST_KVP = 1.0, 1000.0
_TELLING_LETTERS = 4
_OF_PATIENTS = 0x0010
_FREE_OR_COUNTED = {"SQ", "DS", "IS", "CS", "AS", "LT", "ST", "UT", "UC", "OB", "OW", "UN"}
# Identifiers besides those of the vault and of the patient's group.
_ALSO_TELLING = (
    *("AdmissionID", "DeviceSerialNumber", "PerformedProcedureStepID", "RequestedProcedureID"),
    *("ScheduledProcedureStepID", "FillerOrderNumberImagingServiceRequest"),
)


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


def identity_from(document: Mapping[str, Any]) -> ScanIdentity:
    """Return what `ScanIdentity.document` gave; what an older ledger did not keep is empty."""
    held = {each.name: document.get(each.name) or "" for each in fields(ScanIdentity)}
    return ScanIdentity(**held | {"sop_uids": tuple(document.get("sop_uids") or ())})


@without_warnings()
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


@without_warnings()
def kept_words(dataset: Dataset, identity: ScanIdentity) -> dict[str, Any]:
    """Return the few attributes in words that PS3.15's Table E.1-1 lets stand, where well formed.

    A text that is long or odd, or that repeats an identifier of the patient, of a person or of the
    study, is dropped whole, wherever it was written: half a text would still be somebody's.
    """
    telling = _telling(dataset, identity)
    words: dict[str, Any] = {
        "manufacturer": _product(dataset, "Manufacturer", _LONGEST["manufacturer"]),
        "model": _product(dataset, "ManufacturerModelName", _LONGEST["model"]),
        "kernel": _product(dataset, "ConvolutionKernel", _LONGEST["kernel"]),
        "body_part": _term(dataset, "BodyPartExamined", _BODY_PARTS),
        "patient_position": _term(dataset, "PatientPosition", _PATIENT_POSITIONS),
    }
    return {name: value for name, value in words.items() if value and not _repeats(value, telling)}


def kept_image_type(image_type: Sequence[str], identity: ScanIdentity) -> list[str]:
    """Return Image Type's words that are terms of the trade and repeat no identifier."""
    telling = _telling(None, identity)
    return [word for word in image_type if word in _IMAGE_TYPES and not _repeats(word, telling)]


@without_warnings()
def kept_kvp(dataset: Dataset) -> float | None:
    """Return the tube's voltage in kV where it is one, else None."""
    try:
        found = float(dataset.get("KVP") or 0)
    except (TypeError, ValueError):
        return None
    return found if _LEAST_KVP <= found <= _MOST_KVP else None


def _product(dataset: Dataset, keyword: str, longest: int) -> str:
    value = dataset.get(keyword) or ""
    text = (value if isinstance(value, str) else "/".join(map(str, value))).strip()
    is_fit = len(text) <= longest and _PRODUCT.fullmatch(text) and not _LONG_NUMBER.search(text)
    return text if is_fit else ""


def _term(dataset: Dataset, keyword: str, terms: set[str]) -> str:
    value = str(dataset.get(keyword) or "").strip().upper()
    return value if value in terms else ""


def _telling(dataset: Dataset | None, identity: ScanIdentity) -> set[str]:
    """Return the words, folded, by which somebody could be told."""
    texts = [
        *(identity.patient_id, identity.patient_name, identity.birth_date, identity.accession),
        *(identity.study_id, identity.referring_physician, identity.study_uid),
        *(identity.series_uid, identity.frame_of_reference_uid),
    ]
    if dataset is not None:
        texts += _named_in(dataset)
    words = {word for text in texts for word in re.split(r"[\^=\s,;/\\_-]+", _folded(text))}
    return {word for word in words if word}


def _named_in(dataset: Dataset) -> Iterator[str]:
    """Yield the values of whatever names persons, the patient's own attributes first."""
    for tag in dataset.keys():  # noqa: SIM118 - iterating a data set parses every value
        vr = stated_vr(dataset, tag)
        if vr == "PN" or (tag.group == _OF_PATIENTS and vr not in _FREE_OR_COUNTED):
            yield _value(dataset, tag)
    for keyword in _ALSO_TELLING:
        if keyword in dataset:
            yield _value(dataset, keyword)


def _value(dataset: Dataset, key: BaseTag | str) -> str:
    try:
        value = dataset[key].value
    except DAMAGE:
        return ""
    return " ".join(map(str, value)) if isinstance(value, MultiValue) else str(value or "")


def _folded(text: str) -> str:
    """Return a text without case and accents."""
    apart = unicodedata.normalize("NFKD", text)
    return "".join(letter for letter in apart if not unicodedata.combining(letter)).casefold()


def _repeats(text: str, telling: set[str]) -> bool:
    """Say whether a telling word stands in a text; a short one only as a word of its own."""
    whole = _folded(text)
    alone = set(re.split(r"[\W_]+", whole))
    return any(
        word in whole if len(word) >= _TELLING_LETTERS else len(word) > 1 and word in alone
        for word in telling
    )
