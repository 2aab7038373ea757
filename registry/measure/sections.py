"""Pictures of the planes normal to a screw's axis, and of two planes that hold it.

A section is drawn with cranial on top and medial at the right, for both sides of the patient, so
that (u, v) reads as in any plot: u to the right, v upwards. A right screw is thus seen from the
front, a left one from behind. A picture along the axis has depth to the right, entry at the left,
and medial (or cranial) on top. Pixel coordinates are (row, column), whole numbers at the pixel's
centre: in a drawing whose pixel covers [c, c + 1) subtract 0.5 first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.problems import BadInputError, Fault
from registry.measure.axes import along_to_patient, section_to_patient
from registry.measure.planes import PlaneGrid, sample_planes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from registry.measure.axes import FloatArray, ScrewAxis, SectionFrame
    from registry.measure.sampling import Picture, Voxels

MOST_PIXELS = 2048
"""A picture's largest side; more is a slip of the spacing."""


def _pixels(length_mm: float, spacing_mm: float) -> int:
    if not (spacing_mm > 0.0 and length_mm > 0.0):
        raise BadInputError(Fault("a picture needs a size and a pixel spacing above 0 mm"))
    count = round(length_mm / spacing_mm)
    if not 2 <= count <= MOST_PIXELS:  # noqa: PLR2004 - one pixel is no picture
        raise BadInputError(
            Fault(
                f"{length_mm:g} mm at {spacing_mm:g} mm are {count} pixels",
                mend=f"ask for 2 to {MOST_PIXELS}",
            )
        )
    return count


@dataclass(frozen=True)
class SectionGrid:
    """The pixels of a section: a square about the axis.

    Attributes
    ----------
    half_width_mm : float, from the axis to the picture's edge
    spacing_mm : float, from pixel to pixel
    """

    half_width_mm: float
    spacing_mm: float

    def __post_init__(self) -> None:
        _pixels(2.0 * self.half_width_mm, self.spacing_mm)

    @property
    def size(self) -> int:
        """The number of rows and of columns."""
        return _pixels(2.0 * self.half_width_mm, self.spacing_mm)


def section_to_pixel(points_mm: ArrayLike, grid: SectionGrid) -> FloatArray:
    """Return (row, column), shape (..., 2), of section points (u medial, v cranial) in mm."""
    points = np.asarray(points_mm, dtype=np.float64)
    middle = (grid.size - 1) / 2.0
    return np.stack(
        [middle - points[..., 1] / grid.spacing_mm, middle + points[..., 0] / grid.spacing_mm],
        axis=-1,
    )


def pixel_to_section(pixels: ArrayLike, grid: SectionGrid) -> FloatArray:
    """Return section points (u medial, v cranial) in mm, shape (..., 2), of (row, column)."""
    array = np.asarray(pixels, dtype=np.float64)
    middle = (grid.size - 1) / 2.0
    return np.stack(
        [(array[..., 1] - middle) * grid.spacing_mm, (middle - array[..., 0]) * grid.spacing_mm],
        axis=-1,
    )


@dataclass(frozen=True)
class AlongGrid:
    """The pixels of a picture along the axis.

    Attributes
    ----------
    start_mm, stop_mm : float, depths of the left and right edge, from the entry
    half_width_mm : float, from the axis to the upper edge
    spacing_mm : float, from pixel to pixel
    """

    start_mm: float
    stop_mm: float
    half_width_mm: float
    spacing_mm: float

    def __post_init__(self) -> None:
        _pixels(self.stop_mm - self.start_mm, self.spacing_mm)
        _pixels(2.0 * self.half_width_mm, self.spacing_mm)

    @property
    def rows(self) -> int:
        """The number of rows, across the axis."""
        return _pixels(2.0 * self.half_width_mm, self.spacing_mm)

    @property
    def columns(self) -> int:
        """The number of columns, along the axis."""
        return _pixels(self.stop_mm - self.start_mm, self.spacing_mm)


def along_to_pixel(points_mm: ArrayLike, grid: AlongGrid) -> FloatArray:
    """Return (row, column), shape (..., 2), of (depth, across) in mm."""
    points = np.asarray(points_mm, dtype=np.float64)
    middle = (grid.rows - 1) / 2.0
    return np.stack(
        [
            middle - points[..., 1] / grid.spacing_mm,
            (points[..., 0] - grid.start_mm) / grid.spacing_mm - 0.5,
        ],
        axis=-1,
    )


def pixel_to_along(pixels: ArrayLike, grid: AlongGrid) -> FloatArray:
    """Return (depth, across) in mm, shape (..., 2), of (row, column)."""
    array = np.asarray(pixels, dtype=np.float64)
    middle = (grid.rows - 1) / 2.0
    return np.stack(
        [
            grid.start_mm + (array[..., 1] + 0.5) * grid.spacing_mm,
            (middle - array[..., 0]) * grid.spacing_mm,
        ],
        axis=-1,
    )


def sample_sections(
    voxels: Voxels,
    affine: ArrayLike,
    frames: Sequence[SectionFrame],
    half_width_mm: float,
    spacing_mm: float,
) -> Picture:
    """Return all sections of a screw.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU
    affine : (4, 4), (i, j, k) to LPS mm
    frames : one a section, at least one
    half_width_mm, spacing_mm : as in `SectionGrid`

    Returns
    -------
    int16 (section, row, column), HU, `OUTSIDE_HU` outside the volume; pixels to millimetres by
    `pixel_to_section`
    """
    grid = SectionGrid(half_width_mm, spacing_mm)
    corner = pixel_to_section([0, 0], grid)
    planes = [
        PlaneGrid(
            section_to_patient(corner, frame),
            spacing_mm * frame.medial,
            -spacing_mm * frame.cranial,
            grid.size,
            grid.size,
        )
        for frame in frames
    ]
    return np.stack(sample_planes(voxels, affine, planes))


def sample_section(
    voxels: Voxels,
    affine: ArrayLike,
    frame: SectionFrame,
    half_width_mm: float,
    spacing_mm: float,
) -> Picture:
    """Return one section, int16 (row, column); see `sample_sections`."""
    picture: Picture = sample_sections(voxels, affine, [frame], half_width_mm, spacing_mm)[0]
    return picture


def sample_along_axis(
    voxels: Voxels, affine: ArrayLike, axis: ScrewAxis, across: ArrayLike, grid: AlongGrid
) -> Picture:
    """Return the picture of the plane that holds the axis and one direction across it.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU
    affine : (4, 4), (i, j, k) to LPS mm
    axis : ScrewAxis
    across : (3,), the frame's `medial` or `cranial`; it is on top in the picture
    grid : AlongGrid

    Returns
    -------
    int16 (row, column), HU; pixels to millimetres by `pixel_to_along`
    """
    first, right, down = along_to_patient(
        pixel_to_along([[0, 0], [0, 1], [1, 0]], grid), axis, across
    )
    plane = PlaneGrid(first, right - first, down - first, grid.rows, grid.columns)
    return sample_planes(voxels, affine, [plane])[0]
