"""A screw's axis from the metal around a point that a reader picked."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from registry.domain.problems import BadInputError, Fault
from registry.measure.axes import patient_to_voxel, unit, voxel_to_patient
from registry.measure.sampling import sample_points
from registry.measure.shank import Line, Shank, no_shank
from registry.measure.shank_ends import fit_shank

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from registry.measure.axes import FloatArray
    from registry.measure.sampling import Voxels

METAL_HU = 2200.0
"""What metal reads at least in a usual scan; bone's densest cortex stays below. Ours."""
DIMMEST_SHARE = 0.8
"""Metal that reads a little less is still taken for metal."""
PICK_MM = 8.0
"""How far from the shank a pick may lie."""
STEEPEST_DEG = 70.0
"""Directions farther from straight ahead are no screw's; ours."""


def shank_near(
    voxels: Voxels, affine: ArrayLike, point_mm: ArrayLike, metal_hu: float = METAL_HU
) -> Shank:
    """Return the shank whose metal lies near a point.

    The longest straight run of metal that points forwards is looked for among lines through the
    metal around the point; `fit_shank` does the rest.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU
    affine : (4, 4), (i, j, k) to LPS mm
    point_mm : (3,), LPS, within about 8 mm of the shank
    metal_hu : float, what metal reads at least; the threshold follows the brightest metal nearby

    Raises
    ------
    BadInputError : no metal lies near the point, or none that is long, thin and points forwards
    """
    start, threshold = _nearest_metal(voxels, affine, np.asarray(point_mm, dtype=float), metal_hu)
    guess = _longest_run(voxels, affine, start, threshold)
    return fit_shank(voxels, affine, guess, threshold).shank


def _block(
    voxels: Voxels, affine: ArrayLike, middle_mm: FloatArray, reach_mm: float
) -> tuple[NDArray[np.float64], FloatArray]:
    """Return the voxels of a cube about a point and the patient coordinates of each."""
    sides = np.linalg.norm(np.asarray(affine, dtype=np.float64)[:3, :3], axis=0)
    middle = patient_to_voxel(middle_mm, affine)
    count = np.array(voxels.shape[::-1])
    low = np.clip(np.floor(middle - reach_mm / sides), 0, count).astype(int)
    high = np.clip(np.ceil(middle + reach_mm / sides) + 1, 0, count).astype(int)
    block = np.asarray(
        voxels[low[2] : high[2], low[1] : high[1], low[0] : high[0]], dtype=np.float64
    )
    kji = np.moveaxis(np.indices(block.shape), 0, -1)
    return block, voxel_to_patient(kji[..., ::-1] + low, affine)


def _nearest_metal(
    voxels: Voxels, affine: ArrayLike, point_mm: FloatArray, metal_hu: float
) -> tuple[FloatArray, float]:
    """Return the middle of the metal nearest a point and the threshold that outlines it."""
    block, places = _block(voxels, affine, point_mm, PICK_MM)
    dimmest = DIMMEST_SHARE * metal_hu
    distance = np.linalg.norm(places - point_mm, axis=-1)
    is_metal = (block >= dimmest) & (distance <= PICK_MM)
    if not is_metal.any():
        brightest = f"the brightest voxel there reads {block.max():.0f} HU" if block.size else ""
        raise BadInputError(
            Fault(
                f"no metal lies within {PICK_MM:.0f} mm of this point",
                "screw axis",
                f"pick the screw itself{'; ' if brightest else ''}{brightest}",
            )
        )
    nearest = places[is_metal][int(distance[is_metal].argmin())]
    close = np.linalg.norm(places - nearest, axis=-1) <= PICK_MM / 2.0
    threshold = max(dimmest, float(block[close].max()) / 2.0)
    middle = places[close & (block >= threshold)]
    return (middle.mean(axis=0) if len(middle) else nearest), threshold


def _directions() -> FloatArray:
    """Return about 500 unit vectors within 70 degrees of straight ahead, evenly spread."""
    count = 1500
    number = np.arange(count) + 0.5
    height = 1.0 - 2.0 * number / count
    turn = math.pi * (1.0 + math.sqrt(5.0)) * number
    flat = np.sqrt(1.0 - height**2)
    sphere = np.column_stack([flat * np.cos(turn), -height, flat * np.sin(turn)])
    return sphere[sphere[:, 1] <= -math.cos(math.radians(STEEPEST_DEG))]


def _longest_run(voxels: Voxels, affine: ArrayLike, start: FloatArray, threshold: float) -> Line:
    """Return the line of the longest straight metal near a place.

    A run counts up to 40 mm and less the more it turns from straight ahead, so that a rod, which
    is longer, loses to the screw.
    """
    block, places = _block(voxels, affine, start, PICK_MM)
    near = np.linalg.norm(places - start, axis=-1) <= PICK_MM
    inner = ndimage.distance_transform_edt(
        np.pad(block >= threshold, 1), sampling=_spacing(affine)
    )[1:-1, 1:-1, 1:-1]
    candidates = places[near & (inner > 0.0)]
    if len(candidates) == 0:
        raise no_shank()
    deepest = np.argsort(-inner[near & (inner > 0.0)], kind="stable")
    seeds = candidates[deepest[:: max(1, len(deepest) // 24)]][:24]
    directions = _directions()
    along = np.arange(0.0, 60.0, 1.0)
    ahead = _run(voxels, affine, seeds, directions, along, threshold)
    behind = _run(voxels, affine, seeds, -directions, along, threshold)
    score = np.minimum(ahead + behind, 40.0) * -directions[:, 1]
    seed, best = np.unravel_index(int(score.argmax()), score.shape)
    if score[seed, best] < 2.0 * PICK_MM * math.cos(math.radians(STEEPEST_DEG)):
        raise no_shank()
    # Among equals the middle one runs nearest the shank's own axis.
    equal = score[seed] >= 0.97 * score[seed, best]
    together = equal & (directions @ directions[best] > math.cos(math.radians(20.0)))
    return Line(seeds[seed], unit(directions[together].mean(axis=0)))


def _spacing(affine: ArrayLike) -> list[float]:
    sides = np.linalg.norm(np.asarray(affine, dtype=np.float64)[:3, :3], axis=0)
    return [float(side) for side in sides[::-1]]


def _run(
    voxels: Voxels,
    affine: ArrayLike,
    seeds: FloatArray,
    directions: FloatArray,
    along: FloatArray,
    threshold: float,
) -> FloatArray:
    """Return how far metal reaches from each seed in each direction, (seeds, directions)."""
    points = seeds[:, None, None] + along[:, None] * directions[None, :, None]
    is_metal = sample_points(voxels, affine, points) >= threshold
    length: FloatArray = np.logical_and.accumulate(is_metal, axis=-1).sum(axis=-1) * 1.0
    return length
