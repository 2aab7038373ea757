"""Trilinear values of a volume at points of the patient."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
from scipy import ndimage

from registry.measure.axes import patient_to_voxel

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from registry.measure.axes import FloatArray

    Voxels: TypeAlias = NDArray[np.signedinteger[Any]]
    Picture: TypeAlias = NDArray[np.int16]

OUTSIDE_HU = -32768
"""Stands for every point outside the volume: the least int16, which no CT value is."""

_ON_THE_EDGE = 1e-6


def sample_points(voxels: Voxels, affine: ArrayLike, points_mm: FloatArray) -> Picture:
    """Return the trilinear Hounsfield values at patient points.

    Only the block of voxels that the points need is read, so a memory-mapped scan stays on disk.

    Parameters
    ----------
    voxels : (slices, rows, columns), int16 or int32 HU, may be read-only
    affine : (4, 4), (i, j, k) to LPS mm
    points_mm : (..., 3), LPS

    Returns
    -------
    int16 (...,), rounded to the nearest; `OUTSIDE_HU` outside the volume, and values beyond
    int16 set to its ends
    """
    shape = np.array(voxels.shape, dtype=np.int64)
    kji = np.moveaxis(patient_to_voxel(points_mm, affine), -1, 0)[::-1]
    flat = kji.reshape(3, -1)
    top = (shape - 1)[:, None]
    inside = ((flat >= -_ON_THE_EDGE) & (flat <= top + _ON_THE_EDGE)).all(axis=0)
    result = np.full(flat.shape[1], OUTSIDE_HU, dtype=np.int16)
    if inside.any():
        wanted = np.clip(flat[:, inside], 0.0, top)
        low = np.floor(wanted.min(axis=1)).astype(np.int64)
        high = np.minimum(np.ceil(wanted.max(axis=1)).astype(np.int64) + 1, shape)
        block = np.ascontiguousarray(voxels[low[0] : high[0], low[1] : high[1], low[2] : high[2]])
        values = ndimage.map_coordinates(
            block, wanted - low[:, None], output=np.float32, order=1, mode="nearest"
        )
        result[inside] = np.clip(np.rint(values), OUTSIDE_HU + 1, 32767).astype(np.int16)
    return result.reshape(kji.shape[1:])
