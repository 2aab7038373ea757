"""On which side of the body's midline the metal lies, and whether that is the log's side.

Meant for one fault alone: a scan or a log with left and right exchanged. It says something only
where the construct differs enough between its sides for a mirror image to be told, and where the
mirrored one fits clearly better; everything else is silence. Every bound here is ours, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from registry.measure.metal import METAL_HU

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from registry.measure.sampling import Voxels

_BONE_HU = 200
_SLAB_MM = 30.0
"""The midline is looked for anew in each such height, for a curved spine leaves the body's own."""
_WINDOW_MM = 45.0
_NEAR_MIDLINE_MM = 4.0
"""Metal this near the midline (a cage, a cross link) is of neither side."""
_LEAST_METAL_MM3 = 400.0
_LEAST_ASYMMETRY = 0.25
_CLEARLY_BETTER = 0.6
_EVERY = 2
_LEAST_BONE = 200


@dataclass(frozen=True)
class MetalSides:
    """How much metal lies to the patient's left and right of the bone's midline, mm3."""

    left_mm3: float
    right_mm3: float


def metal_sides(voxels: Voxels, affine: ArrayLike) -> MetalSides:
    """Return the metal on each side.

    Slices without metal are passed over; in those with any the midline is the middle of the bone
    within 45 mm of itself, found by moving to it from the median.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU, may be memory-mapped: one slice at a time is read
    affine : (4, 4), (i, j, k) to LPS mm
    """
    matrix = np.asarray(affine, dtype=np.float64)
    slabs: dict[int, list[tuple[NDArray[np.float64], NDArray[np.float64]]]] = {}
    for number in range(voxels.shape[0]):
        plane = np.asarray(voxels[number])
        if plane.max() < METAL_HU:
            continue
        found = (_lefts(plane >= METAL_HU, matrix, number), _bone(plane, matrix, number))
        slabs.setdefault(int(number * abs(matrix[2, 2]) // _SLAB_MM), []).append(found)
    volume = abs(float(np.linalg.det(matrix[:3, :3])))
    left = right = 0
    for planes in slabs.values():
        bone = np.concatenate([each for _, each in planes])
        if len(bone) < _LEAST_BONE:
            continue
        aside = np.concatenate([each for each, _ in planes]) - _midline(bone)
        left += int((aside > _NEAR_MIDLINE_MM).sum())
        right += int((aside < -_NEAR_MIDLINE_MM).sum())
    return MetalSides(left * volume, right * volume)


def is_mirrored(found: MetalSides, left_share: float) -> bool:
    """Return whether the metal fits a construct clearly better with its sides exchanged.

    Parameters
    ----------
    left_share : of the recorded construct's screws, by size, 0 to 1
    """
    metal = found.left_mm3 + found.right_mm3
    if metal < _LEAST_METAL_MM3 or not can_be_told(left_share):
        return False
    seen = found.left_mm3 / metal
    as_recorded, as_mirrored = abs(seen - left_share), abs(seen - (1 - left_share))
    return as_recorded - as_mirrored > _CLEARLY_BETTER * abs(2 * left_share - 1)


def can_be_told(left_share: float) -> bool:
    """Return whether a construct differs enough between its sides for a mirror to be told.

    Two screws against four do, three against four do not.
    """
    return abs(2 * left_share - 1) >= _LEAST_ASYMMETRY


def _lefts(mask: NDArray[np.bool_], matrix: NDArray[np.float64], k: int) -> NDArray[np.float64]:
    """Return how far to the patient's left each marked voxel of a slice lies, LPS x."""
    rows, columns = np.nonzero(mask)
    x: NDArray[np.float64] = (
        matrix[0, 0] * columns + matrix[0, 1] * rows + matrix[0, 2] * k + matrix[0, 3]
    )
    return x


def _bone(plane: NDArray[np.generic], matrix: NDArray[np.float64], k: int) -> NDArray[np.float64]:
    thinned = np.asarray(plane[::_EVERY, ::_EVERY], dtype=np.int32)
    coarse = matrix.copy()
    coarse[:, :2] *= _EVERY
    return _lefts((thinned >= _BONE_HU) & (thinned < METAL_HU), coarse, k)


def _midline(lefts: NDArray[np.float64]) -> float:
    middle = float(np.median(lefts))
    for _ in range(10):
        near = lefts[np.abs(lefts - middle) <= _WINDOW_MM]
        if len(near) == 0:
            break
        middle = float(near.mean())
    return middle
