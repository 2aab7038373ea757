"""What a DICOM file is: a slice of a CT series, or something else and what.

Storage classes, Image Type and the modules' attributes are those of DICOM PS3.3 and PS3.6; the
burned-in rule is common practice, no source.
"""

from __future__ import annotations

import re
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from pydicom.uid import (
    JPEG2000,
    UID,
    CTImageStorage,
    DeflatedExplicitVRLittleEndian,
    EnhancedCTImageStorage,
    EnhancedMRImageStorage,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
    LegacyConvertedEnhancedCTImageStorage,
    LegacyConvertedEnhancedMRImageStorage,
    MediaStorageDirectoryStorage,
    MRImageStorage,
    MultiFrameGrayscaleByteSecondaryCaptureImageStorage,
    MultiFrameGrayscaleWordSecondaryCaptureImageStorage,
    MultiFrameSingleBitSecondaryCaptureImageStorage,
    MultiFrameTrueColorSecondaryCaptureImageStorage,
    RLELossless,
    SecondaryCaptureImageStorage,
    XRay3DAngiographicImageStorage,
    XRayRadiationDoseSRStorage,
)

from registry.imaging.sources import printable

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pydicom.dataset import Dataset

LARGEST_SIDE = 4096
_LOCALIZER_WORDS = {"LOCALIZER", "SCOUT", "TOPOGRAM", "SURVEY"}
_PICTURE_WORDS = {"SCREEN", "SCREEN SAVE", "SCREENSAVE", "PROJECTION IMAGE", "MIP", "VRT"}
_DESCRIPTIONS = ("StudyDescription", "SeriesDescription", "ProtocolName")
_INTRA_OPERATIVE = re.compile(r"\bINTRA[- ]?OP(ER|\b)|\bCONE[- ]?BEAM\b|\bCBCT\b")
_HOUNSFIELD_TYPES = {"", "HU", "HU_MOD", "US"}
_NOT_CT = "it is no CT image"
MULTI_FRAME_CLASSES = {EnhancedCTImageStorage, LegacyConvertedEnhancedCTImageStorage}
# What is decoded by pydicom alone or by GDCM; the rest is refused before anything is chosen.
_READ_SYNTAXES = {
    ImplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    DeflatedExplicitVRLittleEndian,
    RLELossless,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
    JPEG2000Lossless,
    JPEG2000,
}


class SeriesKind(StrEnum):
    """What a series is, in the words of a list of what came."""

    AXIAL_BONE = "axial, thin, bone kernel"
    AXIAL_SOFT = "axial, thin, soft kernel"
    AXIAL_THIN = "axial, thin, other kernel"
    AXIAL_THICK = "axial, thick"
    INTRA_OPERATIVE_3D = "intra-operative 3D"
    REFORMAT = "reformat"
    MAP = "derived map"
    LOCALIZER = "localizer"
    PICTURE = "picture"
    REPORT = "report"
    MR = "MR"
    OTHER_IMAGE = "other image"
    OTHER = "other object"


class Kind(NamedTuple):
    """What a file is, why it is no slice to read, and what a series of such files is."""

    what: str
    why: str
    of: SeriesKind = SeriesKind.OTHER_IMAGE


_BY_CLASS = (
    {
        MediaStorageDirectoryStorage: Kind(
            "DICOMDIR", "a table of contents without an image", SeriesKind.OTHER
        ),
        XRay3DAngiographicImageStorage: Kind(
            "multi-frame 3D X-ray image",
            "its values are not Hounsfield units; have it sent as CT slices",
            SeriesKind.INTRA_OPERATIVE_3D,
        ),
        XRayRadiationDoseSRStorage: Kind("dose report", _NOT_CT, SeriesKind.REPORT),
    }
    | dict.fromkeys(
        (MRImageStorage, EnhancedMRImageStorage, LegacyConvertedEnhancedMRImageStorage),
        Kind("MR image", _NOT_CT, SeriesKind.MR),
    )
    | dict.fromkeys(
        (
            SecondaryCaptureImageStorage,
            MultiFrameSingleBitSecondaryCaptureImageStorage,
            MultiFrameGrayscaleByteSecondaryCaptureImageStorage,
            MultiFrameGrayscaleWordSecondaryCaptureImageStorage,
            MultiFrameTrueColorSecondaryCaptureImageStorage,
        ),
        Kind(
            "secondary capture",
            "a picture of a screen or of another image, whatever its modality",
            SeriesKind.PICTURE,
        ),
    )
)
# The rest by a word of the class's name in PS3.6, the most telling first.
_BY_NAME = (
    ("Presentation State", "presentation state", SeriesKind.OTHER),
    ("Encapsulated", "document (PDF or the like)", SeriesKind.REPORT),
    ("Key Object", "key object selection", SeriesKind.OTHER),
    (" SR ", "structured report", SeriesKind.REPORT),
)


def is_multi_frame(dataset: Dataset) -> bool:
    """Say whether it is an enhanced CT image, whose frames are described in groups."""
    return dataset.get("SOPClassUID") in MULTI_FRAME_CLASSES


def other_than_slice(dataset: Dataset) -> Kind | None:
    """Return what the file is and why it stays out, or None for a slice of a CT series.

    Of an enhanced CT image only what holds for all its frames is looked at.
    """
    looks = [_class, _modality, _image_type, _pixels, _packing, _identifiers]
    if not is_multi_frame(dataset):
        looks += [_values, _geometry]
    for look in looks:
        if (kind := look(dataset)) is not None:
            return kind
    return None


def _class(dataset: Dataset) -> Kind | None:
    meta = getattr(dataset, "file_meta", None)
    stored = dataset.get("SOPClassUID") or (meta.get("MediaStorageSOPClassUID") if meta else None)
    if not stored:
        return Kind("DICOM without a storage class", "what it holds is not said")
    uid = UID(str(stored))
    if uid == CTImageStorage or uid in MULTI_FRAME_CLASSES:
        return None
    if uid in _BY_CLASS:
        return _BY_CLASS[uid]
    for word, what, of in _BY_NAME:
        if word in f"{uid.name} ":
            return Kind(what, _NOT_CT, of)
    name = uid.name if not uid.is_private and uid.name != uid else "object of an unknown class"
    of = SeriesKind.OTHER_IMAGE if "Image" in name else SeriesKind.OTHER
    return Kind(str(name), _NOT_CT, of)


def _modality(dataset: Dataset) -> Kind | None:
    modality = printable(str(dataset.get("Modality") or ""))
    if modality != "CT":
        of = SeriesKind.MR if modality == "MR" else SeriesKind.OTHER_IMAGE
        return Kind(f"image of modality {modality or '(not said)'}", "only CT is read", of)
    if int(dataset.get("NumberOfFrames") or 1) > 1 and not is_multi_frame(dataset):
        return Kind("CT image of several frames", "its frames are not described one by one")
    return None


def _image_type(dataset: Dataset) -> Kind | None:
    return other_by_image_type(image_type(dataset))


def other_by_image_type(said: Iterable[str]) -> Kind | None:
    """Return what Image Type or Frame Type says it is, where that is no slice."""
    words = set(said)
    if words & _LOCALIZER_WORDS:
        return Kind("localizer", "a projection, not a slice", SeriesKind.LOCALIZER)
    if words & _PICTURE_WORDS:
        return Kind("rendered picture", "its values are not those of a slice", SeriesKind.PICTURE)
    return None


def announces_burned_in_text(dataset: Dataset) -> bool:
    """Say whether Burned In Annotation (0028,0301) is YES, or any other word than NO."""
    return str(dataset.get("BurnedInAnnotation") or "NO").strip().upper() != "NO"


def is_intra_operative(dataset: Dataset) -> bool:
    """Say whether the images' own descriptions call them intra-operative or cone beam.

    No attribute of a CT image says so; the words are common practice, no source.
    """
    said = " ".join(str(dataset.get(keyword) or "") for keyword in _DESCRIPTIONS).upper()
    return _INTRA_OPERATIVE.search(said) is not None


def image_type(dataset: Dataset) -> tuple[str, ...]:
    """Return the words of Image Type (0008,0008), in capitals."""
    value = dataset.get("ImageType") or ()
    words = (value,) if isinstance(value, str) else tuple(value)
    return tuple(str(word).strip().upper() for word in words)


def _pixels(dataset: Dataset) -> Kind | None:
    rows, columns = int(dataset.get("Rows") or 0), int(dataset.get("Columns") or 0)
    if not (0 < rows <= LARGEST_SIDE and 0 < columns <= LARGEST_SIDE):
        return Kind("CT without an image", f"{rows} rows and {columns} columns cannot be read")
    if int(dataset.get("SamplesPerPixel") or 1) != 1:
        return Kind("colour image", "a CT slice has one value a voxel", SeriesKind.PICTURE)
    photometric = str(dataset.get("PhotometricInterpretation") or "MONOCHROME2")
    if photometric != "MONOCHROME2":
        return Kind("CT image in inverted or coloured form", f"it is stored as {photometric}")
    bits = int(dataset.get("BitsAllocated") or 0)
    if bits != 16:  # noqa: PLR2004 - CT Image Module, PS3.3 C.8.2.1.1.4: Bits Allocated is 16
        return Kind(f"CT image of {bits} bits", "Hounsfield units need 16", SeriesKind.PICTURE)
    stored = int(dataset.get("BitsStored") or 0)
    if not 0 < stored <= bits:
        return Kind("CT image without an image", f"{stored} of {bits} bits cannot be stored")
    return None


def _packing(dataset: Dataset) -> Kind | None:
    meta = getattr(dataset, "file_meta", None)
    syntax = meta.get("TransferSyntaxUID") if meta else None
    if syntax is None or syntax in _READ_SYNTAXES:
        return None
    name = syntax.name if not syntax.is_private else "an unknown form"
    return Kind(
        f"CT image packed as {printable(name)}",
        "that form is not unpacked here; have it sent uncompressed or losslessly compressed",
    )


def _values(dataset: Dataset) -> Kind | None:
    return other_by_values(dataset)


def other_by_values(dataset: Dataset) -> Kind | None:
    """Return what it is where its rescale does not give Hounsfield units."""
    if dataset.get("RescaleSlope") is None or dataset.get("RescaleIntercept") is None:
        return Kind("CT image without a rescale", "its Hounsfield units cannot be told")
    unit = printable(str(dataset.get("RescaleType") or "")).strip().upper()
    if unit not in _HOUNSFIELD_TYPES:
        return Kind(f"map in {unit}", "its values are not Hounsfield units", SeriesKind.MAP)
    return None


def _geometry(dataset: Dataset) -> Kind | None:
    for keyword, words in (
        ("ImagePositionPatient", "position"),
        ("ImageOrientationPatient", "orientation"),
        ("PixelSpacing", "pixel spacing"),
    ):
        if not dataset.get(keyword):
            return Kind("CT image without geometry", f"it has no {words}")
    return None


def _identifiers(dataset: Dataset) -> Kind | None:
    for keyword, words in (
        ("SeriesInstanceUID", "series identifier"),
        ("SOPInstanceUID", "identifier of its own"),
    ):
        if not dataset.get(keyword):
            return Kind("CT image without identifiers", f"it has no {words}")
    return None
