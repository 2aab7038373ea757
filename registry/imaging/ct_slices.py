"""A kept image as plain CT slices again, under a pseudonym (PS3.3 Table A.3-1, PS3.15 Annex E).

No file that came in is kept, so that each slice is made anew: of the voxels, their places, and the
few attributes that were kept. Whatever Table E.1-1 names is absent, empty, or replaced.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian
from pydicom.valuerep import format_number_as_ds

from registry.domain.problems import BadInputError, Fault
from registry.imaging.pseudonymous import mark_pseudonymous

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import date

    from numpy.typing import NDArray

    from registry.imaging.identity import ScanIdentity

CT_CLASS = str(CTImageStorage)
_SIXTEEN_BITS = 1 << 16
# Where the kept words name no body part; dciodvfy asks for a side where none is named.
_BODY_PART = "SPINE"
# PS3.15 E.1-1 asks for a value of no meaning where the type needs one.
_CONTRAST = "CONTRAST"
_SERIES_NUMBER = 1


@dataclass(frozen=True)
class KeptImage:
    """What is kept of a scan.

    Attributes
    ----------
    voxels : Hounsfield units, [k, j, i]
    affine : 4 x 4, voxel index (i, j, k, 1) to patient coordinates, mm (LPS), voxel centres
    attributes : the few that are kept with them
    """

    voxels: NDArray[Any]
    affine: NDArray[np.float64]
    attributes: Mapping[str, Any]


@dataclass(frozen=True)
class _Values:
    """How Hounsfield units are stored: value = stored + intercept."""

    intercept: int
    is_signed: bool


def slice_files(
    image: KeptImage, identity: ScanIdentity, day: date, *, is_looked_through: bool = False
) -> Iterator[tuple[str, bytes]]:
    """Yield the name and the bytes of each slice's file, one at a time.

    Parameters
    ----------
    image : what is kept
    identity : pseudonymous, with an identifier a slice
    day : of the scan, moved with the patient's days
    is_looked_through : a person has looked at the slices, and no text stands in them

    Raises
    ------
    BadInputError : the values span more than 16 bits hold, before the first file
    """
    values = _values(image.voxels)
    digits = len(str(len(image.voxels)))
    made = _of_every_slice(image, identity, day)
    if is_looked_through:
        made.BurnedInAnnotation = "NO"
    for index, plane in enumerate(image.voxels):
        _put_slice(made, image, index, identity.sop_uids[index])
        _put_pixels(made, plane, values)
        yield f"slice{index + 1:0{digits}d}.dcm", _written(made)


def _values(voxels: NDArray[Any]) -> _Values:
    if voxels.dtype == np.int16:
        return _Values(0, is_signed=True)
    low, high = int(voxels.min()), int(voxels.max())
    if high - low >= _SIXTEEN_BITS:
        raise BadInputError(
            Fault(
                f"its values span {low} to {high}, more than the 16 bits of a CT slice hold",
                mend="nothing was written; rounding them would no longer be what was measured",
            )
        )
    return _Values(low, is_signed=False)


def _of_every_slice(image: KeptImage, identity: ScanIdentity, day: date) -> Dataset:
    made = Dataset()
    made.SOPClassUID = identity.sop_class_uid
    made.PatientID = identity.patient_id
    made.PatientName = made.PatientBirthDate = made.PatientSex = ""
    made.StudyInstanceUID, made.SeriesInstanceUID = identity.study_uid, identity.series_uid
    made.FrameOfReferenceUID = identity.frame_of_reference_uid
    made.StudyDate = made.SeriesDate = made.AcquisitionDate = made.ContentDate = f"{day:%Y%m%d}"
    made.StudyTime = made.ContentTime = made.StudyID = made.AccessionNumber = ""
    made.ReferringPhysicianName = made.PositionReferenceIndicator = ""
    made.Modality = "CT"
    made.SeriesNumber, made.AcquisitionNumber = _SERIES_NUMBER, None
    _put_kept(made, image.attributes)
    _put_plane(made, image.affine)
    made.SamplesPerPixel, made.PhotometricInterpretation = 1, "MONOCHROME2"
    made.Rows, made.Columns = image.voxels.shape[1:]
    made.RescaleSlope, made.RescaleType = 1, "HU"
    mark_pseudonymous(made)
    return made


def _put_kept(made: Dataset, kept: Mapping[str, Any]) -> None:
    made.Manufacturer = kept.get("manufacturer", "")
    if "model" in kept:
        made.ManufacturerModelName = kept["model"]
    if "kernel" in kept:
        made.ConvolutionKernel = kept["kernel"].split("/")
    made.BodyPartExamined = kept.get("body_part", _BODY_PART)
    made.PatientPosition = kept.get("patient_position", "")
    made.ImageType = image_type(kept)
    made.KVP = kept.get("kvp")
    thickness = kept.get("slice_thickness_mm")
    made.SliceThickness = None if thickness is None else _decimal(thickness)
    if kept.get("contrast"):
        made.ContrastBolusAgent = _CONTRAST
    if kept.get("lossy"):
        made.LossyImageCompression = "01"


def image_type(kept: Mapping[str, Any]) -> list[str]:
    """Return Image Type; resampled voxels are derived, and so is what nobody calls original."""
    is_original = list(kept.get("image_type") or ())[:1] == ["ORIGINAL"]
    return [
        "ORIGINAL" if is_original and not kept.get("resampled") else "DERIVED",
        *("PRIMARY", "AXIAL"),
    ]


def _put_plane(made: Dataset, affine: NDArray[np.float64]) -> None:
    across, down = affine[:3, 0], affine[:3, 1]
    column_mm, row_mm = float(np.linalg.norm(across)), float(np.linalg.norm(down))
    cosines = np.concatenate([across / column_mm, down / row_mm])
    made.ImageOrientationPatient = [*map(_decimal, cosines)]
    # The distance between rows stands first: PS3.3 section 10.7.1.3.
    made.PixelSpacing = [_decimal(row_mm), _decimal(column_mm)]


def _put_slice(made: Dataset, image: KeptImage, index: int, sop_uid: str) -> None:
    made.SOPInstanceUID = sop_uid
    made.InstanceNumber = index + 1
    # The stack's own step: sheared slices keep their places.
    place = image.affine[:3, 3] + index * image.affine[:3, 2]
    made.ImagePositionPatient = [*map(_decimal, place)]


def _put_pixels(made: Dataset, plane: NDArray[Any], values: _Values) -> None:
    made.BitsAllocated, made.BitsStored, made.HighBit = 16, 16, 15
    made.PixelRepresentation = int(values.is_signed)
    made.RescaleIntercept = values.intercept
    kind = "<i2" if values.is_signed else "<u2"
    made.PixelData = (plane.astype(np.int64) - values.intercept).astype(kind).tobytes()
    made["PixelData"].VR = "OW"


def _decimal(number: float) -> str:
    """Return a decimal string, as exact as its sixteen characters let it be."""
    if not math.isfinite(number):
        raise ValueError(f"{number} is no place")
    return str(format_number_as_ds(float(number) + 0.0))


def _written(made: Dataset) -> bytes:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = made.SOPClassUID
    meta.MediaStorageSOPInstanceUID = made.SOPInstanceUID
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    made.file_meta = meta
    buffer = io.BytesIO()
    made.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()
