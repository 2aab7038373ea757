"""A chosen series into voxels, slice by slice, with its geometry and the few attributes kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, Protocol

import numpy as np

from registry.domain.problems import BadInputError, Fault
from registry.imaging.frames import ChangedError, Frames
from registry.imaging.identity import (
    ScanIdentity,
    identity_of,
    kept_image_type,
    kept_kvp,
    kept_words,
)
from registry.imaging.multiframe import as_one_slice
from registry.imaging.parsing import DAMAGE, UnreadableError, read_header, without_warnings
from registry.imaging.pixels import UndecodableError, hounsfield
from registry.imaging.series import THICK_MM
from registry.imaging.slices import acquired_on

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import date

    from numpy.typing import NDArray
    from pydicom.dataset import Dataset

    from registry.imaging.geometry import Stack
    from registry.imaging.series import FoundSeries, SeriesSummary
    from registry.imaging.slices import SliceHeader

VoxelType = Literal["int16", "int32"]


class Sink(Protocol):
    """Where voxels go, a slice at a time; the image store's writer is one."""

    def begin(self, shape: tuple[int, int, int], dtype: str) -> None:
        """Make room for slices x rows x columns; called again, what was written is forgotten."""

    def write(self, index: int, plane: NDArray[Any]) -> None:
        """Take one slice."""


@dataclass(frozen=True)
class ReadVolume:
    """What came of reading a series; its voxels are in the sink.

    Attributes
    ----------
    shape : slices, rows, columns: the array's order, [k, j, i]
    dtype : of the voxels, whole Hounsfield units
    affine : 4 x 4, voxel index (column i, row j, slice k, 1) to patient coordinates, mm (LPS),
        voxel centres; its columns are the true steps and need not be at right angles
    attributes : JSON document that may be kept beside the voxels; it names nobody; under
        `left_behind` what was not kept, without values
    identity : for the encrypted vault
    scanned_on : day of acquisition, else of the series or study; None where no file says
    """

    shape: tuple[int, int, int]
    dtype: VoxelType
    affine: NDArray[np.float64]
    attributes: dict[str, Any]
    identity: ScanIdentity
    scanned_on: date | None
    warnings: tuple[str, ...]


class _BeyondInt16Error(Exception):
    """A voxel does not fit into 16 bits."""


def read_volume(
    series: FoundSeries, sink: Sink, told: Callable[[int, int], None] | None = None
) -> ReadVolume:
    """Decode the series into `sink`; every fault names its file, and nothing may then be kept.

    `told(done, all)` is called after each slice; what it raises stops the reading.

    One slice is in memory at a time, two where slices are resampled. Voxels are int16 until one
    does not fit, then the series is begun again in int32.
    """
    volume = series.volume
    if volume is None:
        raise BadInputError(Fault(series.summary.fault, series.summary.place))
    shape = (len(volume.planes), series.summary.rows, series.summary.columns)
    dtype: VoxelType = "int16"
    with Frames() as frames:
        try:
            _write(volume, frames, shape, dtype, _Told(sink, told))
        except _BeyondInt16Error:
            dtype = "int32"
            _write(volume, frames, shape, dtype, _Told(sink, told))
    identity, attributes, scanned_on = _described(series, volume)
    return ReadVolume(
        shape=shape,
        dtype=dtype,
        affine=volume.affine,
        attributes=attributes,
        identity=identity,
        scanned_on=scanned_on,
        warnings=tuple(attributes["warnings"]),
    )


def _described(
    series: FoundSeries, volume: Stack
) -> tuple[ScanIdentity, dict[str, Any], date | None]:
    """Return the scan's identifiers, what is kept beside its voxels, and its day."""
    header = volume.slices[0]
    try:
        with without_warnings():
            first = _first_header(header)
            identity = identity_of(first, volume.planes)
            warnings = _warnings(series.summary, volume)
            attributes = _attributes(first, series.summary, volume, identity, warnings)
            return (
                identity,
                attributes | {"left_behind": series.left_behind.document()},
                acquired_on(first),
            )
    except DAMAGE as error:
        raise BadInputError(
            Fault("its header holds values that cannot be read", header.source.name)
        ) from error


class _Told:
    """A sink, and who is told how far it is."""

    def __init__(self, sink: Sink, told: Callable[[int, int], None] | None) -> None:
        self._sink, self._told, self._all = sink, told, 0

    def begin(self, shape: tuple[int, int, int], dtype: str) -> None:
        self._all = shape[0]
        self._sink.begin(shape, dtype)

    def write(self, index: int, plane: NDArray[Any]) -> None:
        self._sink.write(index, plane)
        if self._told is not None:
            self._told(index + 1, self._all)


def _write(
    volume: Stack, frames: Frames, shape: tuple[int, int, int], dtype: VoxelType, sink: Sink
) -> None:
    sink.begin(shape, dtype)
    planes = _blended(volume, frames) if volume.blends else _as_they_are(volume, frames)
    for index, plane in enumerate(planes):
        if dtype == "int16" and plane.dtype != np.int16:
            raise _BeyondInt16Error
        sink.write(index, plane.astype(dtype, copy=False))


def _as_they_are(volume: Stack, frames: Frames) -> Iterator[NDArray[Any]]:
    for header in volume.slices:
        yield _plane(header, frames)


def _blended(volume: Stack, frames: Frames) -> Iterator[NDArray[Any]]:
    """Yield even planes of uneven slices; two slices are in memory at a time."""
    held: dict[int, NDArray[Any]] = {}
    for lower, share in volume.blends:
        wanted = [k for k, part in ((lower, 1 - share), (lower + 1, share)) if part > 0]
        held = {k: held[k] if k in held else _plane(volume.slices[k], frames) for k in wanted}
        if len(wanted) == 1:
            yield held[wanted[0]]
            continue
        below, above = held[lower], held[lower + 1]
        mixed = np.rint(below * np.float64(1 - share) + above * np.float64(share))
        yield mixed.astype(np.promote_types(below.dtype, above.dtype))


def _plane(header: SliceHeader, frames: Frames) -> NDArray[Any]:
    mend = "copy the series again, or have it sent uncompressed"
    try:
        raw = frames.raw(header)
        return hounsfield(raw, header.pixels, header.slope, header.intercept)
    except ChangedError as error:
        raise BadInputError(Fault("it changed while it was read", header.source.name)) from error
    except UnreadableError as error:
        raise BadInputError(
            Fault(f"{error.what}: {error.why}", header.source.name, "copy the series again")
        ) from error
    except UndecodableError as error:
        raise BadInputError(Fault(str(error), header.source.name, mend)) from error


def _first_header(header: SliceHeader) -> Dataset:
    """Return the first slice's data set, without its pixels."""
    try:
        dataset = read_header(header.source)
    except UnreadableError as error:
        raise BadInputError(
            Fault(f"{error.what}: {error.why}", header.source.name, "copy the series again")
        ) from error
    if dataset.get("SOPInstanceUID") != header.sop_uid:
        raise BadInputError(Fault("it changed while it was read", header.source.name))
    if header.frame is not None:
        as_one_slice(dataset, header)
    return dataset


def _warnings(summary: SeriesSummary, volume: Stack) -> tuple[str, ...]:
    """Return what a reader of the scan should know, in words without file names."""
    words = []
    thick_mm = max(volume.step_mm, summary.thickness_mm or 0.0)
    if thick_mm > THICK_MM:
        words.append(
            f"thick slices: {thick_mm:.2f} mm, above {THICK_MM:.0f} mm; small breaches can hide"
        )
    if volume.is_sheared:
        words.append(
            f"slices are stacked at {volume.tilt_deg:.1f} degrees to their own plane; "
            "geometry follows their positions"
        )
    if volume.widest is not None:
        words.append(
            f"uneven slices, up to {volume.widest.step_mm:.2f} mm apart "
            f"(z {volume.widest.low_z_mm:.1f} to {volume.widest.high_z_mm:.1f} mm): resampled "
            f"along the stack onto {volume.step_mm:.2f} mm by linear interpolation"
        )
    if summary.is_lossy:
        words.append("lossy compression: values are not all the scanner's own")
    if summary.is_burned_in:
        words.append("burned-in text was announced; it was read because a person confirmed it")
    if not summary.is_original:
        words.append("derived images: no original series was there to read")
    if volume.duplicates:
        words.append(
            f"{len(volume.duplicates)} slices lay at the place of another; the first was kept"
        )
    return tuple(words)


def _attributes(
    first: Dataset,
    summary: SeriesSummary,
    volume: Stack,
    identity: ScanIdentity,
    warnings: tuple[str, ...],
) -> dict[str, Any]:
    return kept_words(first, identity) | {
        "image_type": kept_image_type(summary.image_type, identity),
        "kvp": kept_kvp(first),
        "slice_thickness_mm": summary.thickness_mm,
        "slice_step_mm": round(volume.step_mm, 4),
        "pixel_spacing_mm": list(summary.pixel_mm),
        "slices": len(volume.slices),
        "resampled": bool(volume.blends),
        "orientation": summary.orientation,
        "lossy": summary.is_lossy,
        "contrast": summary.has_contrast,
        "warnings": list(warnings),
    }
