"""Pictures of the whole scan, in true millimetres, for finding a screw.

All are laid out as CT is shown: axial and coronal with the patient's left at the right, coronal
and sagittal with the head on top, axial and sagittal with the front on top or at the left.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from registry.domain.problems import BadInputError, Fault
from registry.measure.axes import patient_to_voxel, voxel_to_patient
from registry.measure.planes import PlaneGrid, sample_planes

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from registry.measure.axes import FloatArray
    from registry.measure.sampling import Picture, Voxels

PlaneName: TypeAlias = Literal["axial", "coronal", "sagittal"]

MOST_PIXELS = 1536
"""The larger side of an overview; a finer spacing is widened to fit."""

_RIGHT_DOWN_THROUGH: dict[PlaneName, tuple[tuple[int, int], tuple[int, int], int]] = {
    # patient axis and sign of the columns, of the rows, and the axis looked along
    "axial": ((0, 1), (1, 1), 2),
    "coronal": ((0, 1), (2, -1), 1),
    "sagittal": ((1, 1), (2, -1), 0),
}


@dataclass(frozen=True, eq=False)
class Overview:
    """A picture of one plane of the patient.

    Attributes
    ----------
    pixels : int16 (row, column), HU
    corner_mm : (3,), LPS, centre of pixel (0, 0)
    right, down : (3,), unit vectors along the columns' and the rows' order
    spacing_mm : float, from pixel to pixel both ways
    """

    pixels: Picture
    corner_mm: FloatArray
    right: FloatArray
    down: FloatArray
    spacing_mm: float

    def pixel_to_patient(self, pixels: ArrayLike) -> FloatArray:
        """Return LPS mm, shape (..., 3), of (row, column), shape (..., 2)."""
        array = np.asarray(pixels, dtype=np.float64) * self.spacing_mm
        result: FloatArray = self.corner_mm + array @ np.stack([self.down, self.right])
        return result

    def patient_to_pixel(self, points_mm: ArrayLike) -> FloatArray:
        """Return (row, column), shape (..., 2), of points dropped on the plane."""
        offset = np.asarray(points_mm, dtype=np.float64) - self.corner_mm
        result: FloatArray = offset @ np.stack([self.down, self.right], axis=1) / self.spacing_mm
        return result


def _corners_mm(voxels: Voxels, affine: ArrayLike) -> FloatArray:
    ends = [(0, count - 1) for count in voxels.shape[::-1]]
    return voxel_to_patient(np.stack(np.meshgrid(*ends), axis=-1).reshape(-1, 3), affine)


def volume_span_mm(voxels: Voxels, affine: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return the least and the greatest LPS coordinates of the volume's voxel centres."""
    corners = _corners_mm(voxels, affine)
    return corners.min(axis=0), corners.max(axis=0)


def _axis_vector(number_and_sign: tuple[int, int]) -> FloatArray:
    vector = np.zeros(3)
    vector[number_and_sign[0]] = number_and_sign[1]
    return vector


def overview(
    voxels: Voxels,
    affine: ArrayLike,
    plane: PlaneName,
    position_mm: float,
    spacing_mm: float | None = None,
) -> Overview:
    """Return the axial, coronal or sagittal picture at a place.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU
    affine : (4, 4), (i, j, k) to LPS mm
    plane : "axial", "coronal" or "sagittal"
    position_mm : float, LPS z, y or x of the plane
    spacing_mm : float, or None for the smallest side of a voxel

    Raises
    ------
    BadInputError : the plane lies outside the scan
    """
    right_axis, down_axis, through = _RIGHT_DOWN_THROUGH[plane]
    least, greatest = volume_span_mm(voxels, affine)
    if not least[through] - 1e-6 <= position_mm <= greatest[through] + 1e-6:
        raise BadInputError(
            Fault(
                f"the {plane} plane at {position_mm:.1f} mm lies outside the scan",
                mend=f"choose {least[through]:.1f} to {greatest[through]:.1f} mm",
            )
        )
    sides = np.linalg.norm(np.asarray(affine, dtype=np.float64)[:3, :3], axis=0)
    span = greatest - least
    wanted = float(sides.min()) if spacing_mm is None else spacing_mm
    spacing = max(wanted, float(max(span[right_axis[0]], span[down_axis[0]])) / (MOST_PIXELS - 1))
    right, down = _axis_vector(right_axis), _axis_vector(down_axis)
    corner = np.zeros(3)
    corner[through] = position_mm
    for number, sign in (right_axis, down_axis):
        corner[number] = least[number] if sign > 0 else greatest[number]
    rows = int(span[down_axis[0]] / spacing + 1e-6) + 1
    columns = int(span[right_axis[0]] / spacing + 1e-6) + 1
    grid = PlaneGrid(corner, spacing * right, spacing * down, rows, columns)
    pixels = sample_planes(voxels, affine, [grid])[0]
    return Overview(pixels, corner, right, down, spacing)


@dataclass(frozen=True, eq=False)
class MetalProjection:
    """The brightest voxel along each ray through the scan.

    Attributes
    ----------
    pixels : int16 (row, column), HU of the brightest voxel, values beyond int16 set to its ends
    places_mm : float32 (row, column, 3), LPS of that voxel: where a click on metal lies
    spacing_mm : float, from pixel to pixel both ways
    """

    pixels: Picture
    places_mm: NDArray[np.float32]
    spacing_mm: float

    def place_mm(self, row: int, column: int) -> tuple[float, float, float]:
        """Return the patient point of the brightest voxel behind a pixel."""
        x, y, z = self.places_mm[row, column].tolist()
        return x, y, z


def metal_projection(
    voxels: Voxels, affine: ArrayLike, view: PlaneName = "coronal", spacing_mm: float | None = None
) -> MetalProjection:
    """Return a maximum-intensity projection in true millimetres.

    The rays follow the volume's own axis that lies nearest the direction looked along (in a
    tilted scan they are as tilted as it is); each pixel knows its brightest voxel's place.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU
    affine : (4, 4), (i, j, k) to LPS mm
    view : "coronal", "sagittal" or "axial"
    spacing_mm : float, or None for the smallest side of a voxel
    """
    matrix = np.asarray(affine, dtype=np.float64)[:3, :3]
    right_axis, down_axis, through = _RIGHT_DOWN_THROUGH[view]
    ray, across, along = _voxel_axes(matrix, through, right_axis[0], down_axis[0])
    depth = np.asarray(voxels.argmax(axis=2 - ray))
    brightest = np.take_along_axis(voxels, np.expand_dims(depth, 2 - ray), axis=2 - ray)
    brightest = np.squeeze(brightest, axis=2 - ray)
    # What is left is [slower, faster] with the higher of the two voxel axes first.
    if along < across:
        depth, brightest = depth.T, brightest.T
    sides = np.linalg.norm(matrix, axis=0)
    spacing = float(sides.min()) if spacing_mm is None else spacing_mm
    row_voxels = _nearest_voxels(depth.shape[0], float(sides[along]), spacing)
    column_voxels = _nearest_voxels(depth.shape[1], float(sides[across]), spacing)
    if matrix[down_axis[0], along] * down_axis[1] < 0:
        row_voxels = row_voxels[::-1]
    if matrix[right_axis[0], across] * right_axis[1] < 0:
        column_voxels = column_voxels[::-1]
    picked = np.ix_(row_voxels, column_voxels)
    ijk = np.empty((len(row_voxels), len(column_voxels), 3))
    ijk[..., ray] = depth[picked]
    ijk[..., along] = row_voxels[:, None]
    ijk[..., across] = column_voxels[None, :]
    pixels = np.clip(brightest[picked], -32768, 32767).astype(np.int16)
    return MetalProjection(pixels, voxel_to_patient(ijk, affine).astype(np.float32), spacing)


def _voxel_axes(matrix: FloatArray, through: int, right: int, down: int) -> tuple[int, int, int]:
    """Return the voxel axes (i 0, j 1, k 2) looked along, to the right, and down."""
    cosines = np.abs(matrix / np.linalg.norm(matrix, axis=0))
    ray = int(cosines[through].argmax())
    first, second = (number for number in range(3) if number != ray)
    straight = cosines[right, first] + cosines[down, second]
    crossed = cosines[right, second] + cosines[down, first]
    return (ray, first, second) if straight >= crossed else (ray, second, first)


def _nearest_voxels(count: int, side_mm: float, spacing_mm: float) -> NDArray[np.intp]:
    steps = np.arange(int((count - 1) * side_mm / spacing_mm + 1e-6) + 1) * spacing_mm / side_mm
    nearest: NDArray[np.intp] = np.minimum(np.rint(steps), count - 1).astype(np.intp)
    return nearest


def scan_middle_mm(voxels: Voxels, affine: ArrayLike) -> tuple[float, float, float]:
    """Return the middle of the scan, LPS mm: where an overview starts."""
    x, y, z = _corners_mm(voxels, affine).mean(axis=0).tolist()
    return x, y, z


def is_inside_scan(voxels: Voxels, affine: ArrayLike, point_mm: ArrayLike) -> bool:
    """Tell whether a patient point lies within the scan."""
    ijk = patient_to_voxel(point_mm, affine)
    half = 0.5
    return bool((ijk >= -half).all() and (ijk <= np.array(voxels.shape[::-1]) - half).all())
