"""Trilinear pictures of flat grids; `sampling.sample_points` does the same for points at large.

A grid's voxel coordinates are the sum of a term a row and a term a column, and a grid whose four
corners lie inside the volume lies inside it whole. So nothing is asked of a point by itself:
eight `take`s and seven blends in 32 bits give a whole band of rows.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from registry.measure.axes import patient_to_voxel
from registry.measure.sampling import OUTSIDE_HU, sample_points

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from registry.measure.axes import FloatArray
    from registry.measure.sampling import Picture, Voxels

_BAND_ROWS = 256
"""Rows worked on at once: a usual section whole, which two threads would only share out slower."""
_FROM_THE_EDGE = 1e-3
"""Voxels; nearer to the volume's edge the rounding of 32 bits could point beyond it."""
_POOL = ThreadPoolExecutor(2, thread_name_prefix="planes")
"""Two, as numpy lets go of the interpreter for about as long as it holds it."""


@dataclass(frozen=True, eq=False)
class PlaneGrid:
    """A grid of points on a plane of the patient.

    Attributes
    ----------
    first_mm : (3,), LPS, the point of row 0 and column 0
    right_mm, down_mm : (3,), LPS, from one column and from one row to the next
    rows, columns : int
    """

    first_mm: FloatArray
    right_mm: FloatArray
    down_mm: FloatArray
    rows: int
    columns: int

    def points_mm(self) -> FloatArray:
        """Return every point, (rows, columns, 3)."""
        down = np.arange(self.rows)[:, None, None] * self.down_mm
        right = np.arange(self.columns)[None, :, None] * self.right_mm
        return np.asarray(self.first_mm + down + right)

    def voxel_terms(self, affine: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return what each row and each column adds to (i, j, k): (rows, 3) and (columns, 3)."""
        first = patient_to_voxel(self.first_mm, affine)
        down = patient_to_voxel(self.first_mm + self.down_mm, affine) - first
        right = patient_to_voxel(self.first_mm + self.right_mm, affine) - first
        rows = first + np.arange(self.rows)[:, None] * down
        return rows, np.arange(self.columns)[:, None] * right


def sample_planes(voxels: Voxels, affine: ArrayLike, planes: Sequence[PlaneGrid]) -> list[Picture]:
    """Return the trilinear Hounsfield values of grids, as `sample_points` gives them to 1 HU.

    Parameters
    ----------
    voxels : (slices, rows, columns), int16 or int32 HU, may be read-only
    affine : (4, 4), (i, j, k) to LPS mm
    planes : the grids

    Returns
    -------
    int16 (rows, columns) a grid; `OUTSIDE_HU` outside the volume
    """
    pictures: list[Picture] = []
    bands: list[tuple[Voxels, FloatArray, FloatArray, Picture]] = []
    for plane in planes:
        rows, columns = plane.voxel_terms(affine)
        if not (voxels.flags.c_contiguous and _lies_inside(rows, columns, voxels.shape)):
            pictures.append(sample_points(voxels, affine, plane.points_mm()))
            continue
        picture = np.empty((plane.rows, plane.columns), dtype=np.int16)
        pictures.append(picture)
        bands.extend(
            (np.asarray(voxels), rows[start : start + _BAND_ROWS], columns, picture[start:])
            for start in range(0, plane.rows, _BAND_ROWS)
        )
    if len(bands) > 1:
        list(_POOL.map(lambda band: _fill(*band), bands))
    elif bands:
        _fill(*bands[0])
    return pictures


def _lies_inside(rows: FloatArray, columns: FloatArray, shape: tuple[int, ...]) -> bool:
    corners = rows[[0, 0, -1, -1]] + columns[[0, -1, 0, -1]]
    top = np.array(shape[::-1]) - 1
    return bool(((corners >= _FROM_THE_EDGE) & (corners <= top - _FROM_THE_EDGE)).all())


def _fill(voxels: Voxels, rows: FloatArray, columns: FloatArray, picture: Picture) -> None:
    """Write a band of rows into the picture's first rows."""
    one_row, one_slice = voxels.shape[2], voxels.shape[1] * voxels.shape[2]
    first, place, (across, down, through) = _places(rows, columns, one_row, one_slice)
    flat = voxels.reshape(-1)[first:]

    def blended(offset: int) -> NDArray[np.float32]:
        # Every place is known to lie inside: "clip" only spares a second look at each.
        low = flat[offset:].take(place, mode="clip").astype(np.float32)
        high = flat[offset + 1 :].take(place, mode="clip").astype(np.float32)
        return _between(low, high, across)

    near = _between(blended(0), blended(one_row), down)
    far = _between(blended(one_slice), blended(one_slice + one_row), down)
    values = _between(near, far, through)
    np.rint(values, out=values)
    if voxels.dtype != np.int16:
        np.clip(values, OUTSIDE_HU + 1, 32767, out=values)
    band = picture[: len(rows)]
    band[...] = values
    np.maximum(band, OUTSIDE_HU + 1, out=band)


def _places(
    rows: FloatArray, columns: FloatArray, one_row: int, one_slice: int
) -> tuple[int, NDArray[np.intp], list[NDArray[np.float32]]]:
    """Return the first voxel that is needed, by how many the others follow it, and their parts.

    Counted from the grid's own first voxel 32 bits hold a hundred-thousandth of a voxel, and the
    voxels between the grid's first and last fit into them, too.
    """
    base = np.floor(rows[[0, -1]].min(axis=0) + columns[[0, -1]].min(axis=0))
    place = np.zeros((len(rows), len(columns)), dtype=np.int32)
    parts: list[NDArray[np.float32]] = []
    steps = (1, one_row, one_slice)
    for axis, step in enumerate(steps):
        along = np.add.outer(
            (rows[:, axis] - base[axis]).astype(np.float32), columns[:, axis].astype(np.float32)
        )
        whole = np.trunc(along)
        along -= whole
        parts.append(along)
        voxel = whole.astype(np.int32)
        voxel *= step
        place += voxel
    return int(base @ steps), place.astype(np.intp), parts


def _between(
    low: NDArray[np.float32], high: NDArray[np.float32], part: NDArray[Any]
) -> NDArray[np.float32]:
    """Return low + part (high - low), written over `high`."""
    high -= low
    high *= part
    high += low
    return high
