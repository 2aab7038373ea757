"""The metal of a whole scan, in parts that hang together, read one slice at a time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from registry.measure.axes import voxel_to_patient

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import ArrayLike, NDArray

    from registry.measure.axes import FloatArray
    from registry.measure.sampling import Voxels

LEAST_METAL_HU = 1700.0
"""What a thin screw reads at least in thick slices; densest bone stays below but for a few
voxels. Ours."""
_CELL_MM = 4.0
_SMALLEST_MM = 12.0
"""Metal that reaches less far holds no screw; ours."""
_FINE_MM = 1.0
_BRIGHT_WITHIN_MM = 9.0
_OF_BRIGHTEST = 0.4
"""Next to brighter metal only this share of it is metal: the rest is its bloom and streaks."""


@dataclass(frozen=True, eq=False)
class MetalPart:
    """Metal that hangs together, on a grid of about 1 mm made of the brightest voxel of each cell.

    Attributes
    ----------
    corner_kji : (3,), the first voxel of the box about it
    stop_kji : (3,), beyond its last
    step_kji : (3,), voxels a cell
    cell_mm : (3,), a cell's sides
    is_metal : (cells k, j, i)
    depth_mm : (cells k, j, i), how deep in the metal each cell lies, 0 outside
    """

    corner_kji: NDArray[np.int64]
    stop_kji: NDArray[np.int64]
    step_kji: NDArray[np.int64]
    cell_mm: FloatArray
    is_metal: NDArray[np.bool_]
    depth_mm: FloatArray

    def places(self, cells: NDArray[np.int64], affine: ArrayLike) -> FloatArray:
        """Return the patient coordinates of cells (n, 3) in k, j, i."""
        kji = cells * self.step_kji + self.corner_kji + (self.step_kji - 1) / 2.0
        return voxel_to_patient(kji[:, ::-1], affine)


def spacing_kji(affine: ArrayLike) -> FloatArray:
    """Return the distances between slices, rows and columns, mm, (3,)."""
    sides = np.linalg.norm(np.asarray(affine, dtype=np.float64)[:3, :3], axis=0)
    return np.ascontiguousarray(sides[::-1])


def metal_parts(voxels: Voxels, affine: ArrayLike) -> Iterator[MetalPart]:
    """Yield every part of the metal that could hold a screw.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU, may be memory-mapped
    affine : (4, 4), (i, j, k) to LPS mm
    """
    sides = spacing_kji(affine)
    places = _metal_voxels(voxels)
    if len(places) == 0:
        return
    per_cell = np.maximum(1, np.rint(_CELL_MM / sides)).astype(np.int64)
    cells = places // per_cell
    coarse = np.zeros(np.array(voxels.shape) // per_cell + 1, dtype=bool)
    coarse[tuple(cells.T)] = True
    labels, _ = ndimage.label(coarse, structure=np.ones((3, 3, 3)))
    for box in ndimage.find_objects(labels):
        low = np.array([each.start for each in box]) * per_cell
        high = np.minimum(np.array([each.stop for each in box]) * per_cell, voxels.shape)
        if np.linalg.norm((high - low) * sides) >= _SMALLEST_MM:
            yield _part(voxels, sides, low, high)


def _metal_voxels(voxels: Voxels) -> NDArray[np.int64]:
    """Return (k, j, i) of every voxel that may be metal, (n, 3)."""
    found = []
    for number in range(voxels.shape[0]):
        plane = voxels[number]
        if plane.max() < LEAST_METAL_HU:
            continue
        in_plane = np.argwhere(plane >= LEAST_METAL_HU)
        found.append(np.insert(in_plane, 0, number, axis=1))
    return np.concatenate(found) if found else np.empty((0, 3), dtype=np.int64)


def _part(
    voxels: Voxels, sides: FloatArray, low: NDArray[np.int64], high: NDArray[np.int64]
) -> MetalPart:
    step = np.maximum(1, np.rint(_FINE_MM / sides)).astype(np.int64)
    count = -(-(high - low) // step)
    block = np.asarray(voxels[low[0] : high[0], low[1] : high[1], low[2] : high[2]])
    block = np.pad(block, [(0, int(n)) for n in count * step - (high - low)], mode="edge")
    shape = [int(n) for pair in zip(count, step, strict=True) for n in pair]
    brightest = block.reshape(shape).max(axis=(1, 3, 5))
    cell_mm = step * sides
    reach = [int(n) for n in np.maximum(1, np.rint(_BRIGHT_WITHIN_MM / cell_mm / 2) * 2 + 1)]
    nearby = ndimage.maximum_filter(brightest, size=reach)
    is_metal = (brightest >= LEAST_METAL_HU) & (brightest >= _OF_BRIGHTEST * nearby)
    depth = ndimage.distance_transform_edt(np.pad(is_metal, 1), sampling=cell_mm)
    return MetalPart(low, high, step, cell_mm, is_metal, depth[1:-1, 1:-1, 1:-1])
