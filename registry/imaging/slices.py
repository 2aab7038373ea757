"""What is kept of each slice's header while a series is chosen and put in order."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, NamedTuple

from pydicom.uid import (
    HTJ2K,
    JPEG2000,
    JPEG2000MC,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLSNearLossless,
)

from registry.imaging.kinds import (
    Kind,
    announces_burned_in_text,
    image_type,
    is_intra_operative,
)
from registry.imaging.pixels import PixelForm, pixel_form

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

    from registry.imaging.parsing import Head
    from registry.imaging.sources import SourceFile

Triple = tuple[float, float, float]
# JPEG 2000 (.91) and HTJ2K (.203) may be lossless inside; the file does not promise it.
_LOSSY_SYNTAXES = {
    HTJ2K,
    JPEG2000,
    JPEG2000MC,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLSNearLossless,
}
# Direction cosines as scanners write them are true to four decimals or better; ours, no source.
_COSINE_TOLERANCE = 1e-3
# Beyond these no scanner measures; ours, no source. Far larger numbers overflow when squared.
_FARTHEST_MM = 1e5
_PIXELS_MM = (1e-3, 100.0)
_DAY_ATTRIBUTES = ("AcquisitionDate", "AcquisitionDateTime", "SeriesDate", "StudyDate")


@dataclass(frozen=True, repr=False)
class Origin:
    """Whose a file is and which series it belongs to, as the hospital names them: never shown."""

    patient_id: str
    birth_date: str
    study_uid: str
    series_uid: str
    series_number: int
    acquired_on: date | None


def origin_of(dataset: Dataset) -> Origin:
    """Return whose the file is; empty where it does not say."""

    def text(keyword: str) -> str:
        return str(dataset.get(keyword) or "").strip()

    return Origin(
        patient_id=text("PatientID"),
        birth_date=text("PatientBirthDate"),
        study_uid=text("StudyInstanceUID"),
        series_uid=text("SeriesInstanceUID"),
        series_number=whole_number(dataset, "SeriesNumber"),
        acquired_on=acquired_on(dataset),
    )


@dataclass(frozen=True)
class SliceHeader:
    """One slice's header, without its pixels.

    Attributes
    ----------
    origin : whose it is, and which study and series it belongs to
    frame : which frame of its file it is, from 0; None where the file is one slice
    part : what keeps frames of one file apart that are no one stack: stack, phase, frame type
    position_mm : centre of the first voxel, patient coordinates (LPS)
    row_direction, column_direction : unit vectors of rising column and rising row index, LPS
    pixel_mm : distance between rows, then between columns, as in Pixel Spacing (0028,0030)
    """

    source: SourceFile
    origin: Origin = field(repr=False)
    sop_uid: str = field(repr=False)
    frame: int | None
    part: str
    frame_uid: str = field(repr=False)
    position_mm: Triple
    row_direction: Triple
    column_direction: Triple
    pixel_mm: tuple[float, float]
    rows: int
    columns: int
    acquisition: int
    instance: int
    thickness_mm: float | None
    kernel: str
    image_type: tuple[str, ...]
    patient_position: str
    is_lossy: bool
    has_contrast: bool
    is_burned_in: bool
    is_intra_operative: bool
    slope: float
    intercept: float
    pixels: PixelForm = field(repr=False)

    @property
    def orientation(self) -> tuple[float, ...]:
        """Return the six numbers of Image Orientation (0020,0037)."""
        return (*self.row_direction, *self.column_direction)

    @property
    def precedence(self) -> tuple[int, int, str, int]:
        """Return what decides between two slices at one place, whatever order files come in."""
        return (self.acquisition, self.instance, self.sop_uid, self.frame or 0)


def slice_header(source: SourceFile, head: Head) -> SliceHeader | Kind:
    """Return the header of what `kinds` takes for a slice, or why its geometry cannot be used."""
    dataset = head.dataset
    geometry = plane_of(dataset, dataset, dataset)
    if isinstance(geometry, Kind):
        return geometry
    return SliceHeader(
        source=source,
        origin=origin_of(dataset),
        sop_uid=str(dataset.SOPInstanceUID),
        frame=None,
        part="",
        frame_uid=str(dataset.get("FrameOfReferenceUID") or ""),
        position_mm=geometry.position_mm,
        row_direction=geometry.row_direction,
        column_direction=geometry.column_direction,
        pixel_mm=geometry.pixel_mm,
        rows=int(dataset.Rows),
        columns=int(dataset.Columns),
        acquisition=whole_number(dataset, "AcquisitionNumber"),
        instance=whole_number(dataset, "InstanceNumber"),
        thickness_mm=optional_number(dataset, "SliceThickness"),
        kernel=kernel_of(dataset),
        image_type=image_type(dataset),
        patient_position=str(dataset.get("PatientPosition") or "").strip(),
        is_lossy=is_lossy(dataset),
        has_contrast=bool(str(dataset.get("ContrastBolusAgent") or "").strip()),
        is_burned_in=announces_burned_in_text(dataset),
        is_intra_operative=is_intra_operative(dataset),
        slope=float(dataset.RescaleSlope),
        intercept=float(dataset.RescaleIntercept),
        pixels=pixel_form(head),
    )


def is_lossy(dataset: Dataset) -> bool:
    """Say whether the image was once compressed with loss, or may have been."""
    meta = getattr(dataset, "file_meta", {})
    said = str(dataset.get("LossyImageCompression") or "") == "01"
    return said or meta.get("TransferSyntaxUID") in _LOSSY_SYNTAXES


class Plane(NamedTuple):
    """Where a slice lies; see `SliceHeader`."""

    position_mm: Triple
    row_direction: Triple
    column_direction: Triple
    pixel_mm: tuple[float, float]


def plane_of(position_in: Dataset, orientation_in: Dataset, spacing_in: Dataset) -> Plane | Kind:
    """Return where a slice lies, or why that cannot be told."""
    position = _numbers(position_in, "ImagePositionPatient", 3)
    orientation = _numbers(orientation_in, "ImageOrientationPatient", 6)
    pixel_mm = _numbers(spacing_in, "PixelSpacing", 2)
    if (why := _geometry_fault(position, orientation, pixel_mm)) is not None:
        return Kind("CT image without usable geometry", why)
    return Plane(
        position_mm=(position[0], position[1], position[2]),
        row_direction=(orientation[0], orientation[1], orientation[2]),
        column_direction=(orientation[3], orientation[4], orientation[5]),
        pixel_mm=(pixel_mm[0], pixel_mm[1]),
    )


def acquired_on(dataset: Dataset) -> date | None:
    """Return the day of acquisition, else of the series, else of the study, else None."""
    for keyword in _DAY_ATTRIBUTES:
        text = str(dataset.get(keyword) or "").strip().replace(".", "")[:8]
        try:
            return date.fromisoformat(text)
        except ValueError:
            continue
    return None


def _geometry_fault(
    position: tuple[float, ...], orientation: tuple[float, ...], pixel_mm: tuple[float, ...]
) -> str | None:
    if not position:
        return "its position is not three numbers"
    if max(map(abs, position)) > _FARTHEST_MM:
        return "its position lies beyond any scanner's reach"
    if not pixel_mm or min(pixel_mm) <= 0:
        return "its pixel spacing is not two positive numbers"
    if not all(_PIXELS_MM[0] <= side <= _PIXELS_MM[1] for side in pixel_mm):
        return "its pixel spacing is none that a scanner has"
    return _orientation_fault(orientation)


def _orientation_fault(orientation: tuple[float, ...]) -> str | None:
    if not orientation:
        return "its orientation is not six numbers"
    row, column = orientation[:3], orientation[3:]
    lengths = (math.hypot(*row), math.hypot(*column))
    # Lengths first: the product of numbers far too large would overflow.
    if not any(abs(n - 1) > _COSINE_TOLERANCE for n in lengths):
        slant = sum(a * b for a, b in zip(row, column, strict=True))
        if abs(slant) <= _COSINE_TOLERANCE:
            return None
    return "its orientation is not two unit vectors at right angles"


def _numbers(dataset: Dataset, keyword: str, count: int) -> tuple[float, ...]:
    """Return the attribute's numbers, or nothing where it does not hold `count` finite ones."""
    value = dataset.get(keyword)
    if value is None or isinstance(value, (str, float, int)):
        return ()
    numbers = tuple(float(each) for each in value)
    return numbers if len(numbers) == count and all(map(math.isfinite, numbers)) else ()


def optional_number(dataset: Dataset, keyword: str) -> float | None:
    """Return a finite number, None where there is none."""
    value = dataset.get(keyword)
    number = float(value) if value not in (None, "") else math.nan
    return number if math.isfinite(number) else None


def whole_number(dataset: Dataset, keyword: str) -> int:
    """Return a whole number, 0 where there is none."""
    value = dataset.get(keyword)
    return int(value) if value not in (None, "") else 0


def kernel_of(dataset: Dataset) -> str:
    """Return Convolution Kernel (0018,1210), its values joined."""
    value = dataset.get("ConvolutionKernel")
    if value is None:
        return ""
    return str(value if isinstance(value, str) else "/".join(map(str, value))).strip()
