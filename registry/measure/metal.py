"""A screw's axis from the metal around a point that a reader picked."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from registry.domain.problems import BadInputError, Fault
from registry.measure.axes import ScrewAxis, patient_to_voxel, unit, voxel_to_patient
from registry.measure.sampling import sample_points

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
REACH_MM = 100.0
STEP_MM = 0.5
PATCH_MM = 7.0
PATCH_STEP_MM = 0.5
WIDENED = 1.3
"""A section this many times as wide as the shank belongs to the head; ours."""
BEGINS_TO_WIDEN = 1.1
SHORTEST_SHANK_MM = 10.0
"""Metal shorter than this, or than twice its width, is no shank; ours."""
LEAST_PLANES = 6
"""Three millimetres of shank tell no direction; ours."""
STEEPEST_DEG = 70.0
"""Directions farther from straight ahead are no screw's; ours."""


@dataclass(frozen=True)
class Shank:
    """A screw's axis and the radius that its metal shows, wider than the catalogue's by bloom."""

    axis: ScrewAxis
    radius_mm: float


def axis_near(
    voxels: Voxels, affine: ArrayLike, point_mm: ArrayLike, metal_hu: float = METAL_HU
) -> ScrewAxis:
    """Return the axis of the screw whose shank passes near a point; see `shank_near`."""
    return shank_near(voxels, affine, point_mm, metal_hu).axis


def shank_near(
    voxels: Voxels, affine: ArrayLike, point_mm: ArrayLike, metal_hu: float = METAL_HU
) -> Shank:
    """Return the shank whose metal lies near a point.

    The longest straight run of metal that points forwards is looked for among lines through the
    metal around the point. In planes normal to it the metal's middle and width are measured every
    half millimetre and a line is fitted through the middles of the narrow ones, three times over.
    Entry is where, going backwards, the metal begins to widen into the head (or ends); tip is
    where the brightness along the axis falls half way to what lies beyond.

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
    origin, direction = _longest_run(voxels, affine, start, threshold)
    widths = _Widths.empty()
    for _ in range(3):
        widths = _measure(voxels, affine, origin, direction, threshold)
        origin, direction = _fit_line(origin, direction, widths)
    widths = _measure(voxels, affine, origin, direction, threshold)
    entry = _entry(widths)
    tip = _tip(voxels, affine, origin, direction, widths)
    if tip - entry < max(SHORTEST_SHANK_MM, 4.0 * widths.shank_mm):
        raise _no_shank()
    axis = ScrewAxis.through(origin + entry * direction, origin + tip * direction)
    return Shank(axis, widths.shank_mm)


def _no_shank() -> BadInputError:
    return BadInputError(
        Fault(
            "the metal near this point is no screw's shank: none of it is long, thin and points "
            "forwards",
            "screw axis",
            "pick the shank between head and tip, or set entry and tip by hand",
        )
    )


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


def _longest_run(
    voxels: Voxels, affine: ArrayLike, start: FloatArray, threshold: float
) -> tuple[FloatArray, FloatArray]:
    """Return a point and direction of the longest straight metal near a place.

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
        raise _no_shank()
    deepest = np.argsort(-inner[near & (inner > 0.0)], kind="stable")
    seeds = candidates[deepest[:: max(1, len(deepest) // 24)]][:24]
    directions = _directions()
    along = np.arange(0.0, 60.0, 1.0)
    ahead = _run(voxels, affine, seeds, directions, along, threshold)
    behind = _run(voxels, affine, seeds, -directions, along, threshold)
    score = np.minimum(ahead + behind, 40.0) * -directions[:, 1]
    seed, best = np.unravel_index(int(score.argmax()), score.shape)
    if score[seed, best] < 2.0 * PICK_MM * math.cos(math.radians(STEEPEST_DEG)):
        raise _no_shank()
    # Among equals the middle one runs nearest the shank's own axis.
    equal = score[seed] >= 0.97 * score[seed, best]
    together = equal & (directions @ directions[best] > math.cos(math.radians(20.0)))
    return seeds[seed], unit(directions[together].mean(axis=0))


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


@dataclass(frozen=True, eq=False)
class _Widths:
    """The metal in planes along a line: places, middles off the line, radii; the shank's own."""

    along_mm: FloatArray
    middles_mm: FloatArray
    radii_mm: FloatArray
    shank_mm: float
    run: slice

    @classmethod
    def empty(cls) -> _Widths:
        return cls(np.empty(0), np.empty((0, 2)), np.empty(0), 0.0, slice(0, 0))


def _across(direction: FloatArray) -> FloatArray:
    """Return two unit vectors at right angles to a direction, (2, 3)."""
    first = unit(np.cross(direction, (0.0, 0.0, 1.0)))
    return np.stack([first, np.cross(direction, first)])


def _measure(
    voxels: Voxels, affine: ArrayLike, origin: FloatArray, direction: FloatArray, threshold: float
) -> _Widths:
    """Return the metal's middle and width in planes along a line through its run."""
    along = np.arange(-REACH_MM, REACH_MM + STEP_MM / 2.0, STEP_MM)
    on_line = sample_points(voxels, affine, origin + along[:, None] * direction) >= threshold
    run = _run_about(on_line, len(along) // 2)
    # A little more at either end shows where the metal ends.
    first, last = max(0, run.start - 4), min(len(along), run.stop + 4)
    along = along[first:last]
    ticks = np.arange(-PATCH_MM, PATCH_MM + PATCH_STEP_MM / 2.0, PATCH_STEP_MM)
    patch = np.stack(np.meshgrid(ticks, ticks, indexing="ij"), axis=-1)
    plane = patch @ _across(direction)
    points = origin + along[:, None, None, None] * direction + plane
    values = sample_points(voxels, affine, points).astype(np.float64)
    mask = _connected(values >= threshold, len(ticks) // 2)
    pixels = mask.sum(axis=(1, 2))
    middles = np.stack(
        [(mask * patch[..., number]).sum(axis=(1, 2)) / np.maximum(pixels, 1) for number in (0, 1)],
        axis=1,
    )
    radii = np.sqrt(pixels * PATCH_STEP_MM**2 / math.pi)
    run = slice(run.start - first, run.stop - first)
    return _Widths(along, middles, radii, _shank_radius(radii[run]), run)


def _run_about(on_line: NDArray[np.bool_], middle: int) -> slice:
    """Return the unbroken run of metal that holds, or lies nearest, the middle."""
    labels, count = ndimage.label(on_line)
    if count == 0:
        raise _no_shank()
    places = np.flatnonzero(labels)
    label = labels[places[np.abs(places - middle).argmin()]]
    own = np.flatnonzero(labels == label)
    return slice(int(own[0]), int(own[-1]) + 1)


def _connected(mask: NDArray[np.bool_], middle: int) -> NDArray[np.bool_]:
    """Return in each plane only the metal joined to what lies within 1 mm of the line."""
    in_plane = np.zeros((3, 3, 3), dtype=bool)
    in_plane[1] = ndimage.generate_binary_structure(2, 1)
    labels, count = ndimage.label(mask, structure=in_plane)
    reach = round(1.0 / PATCH_STEP_MM)
    core = labels[:, middle - reach : middle + reach + 1, middle - reach : middle + reach + 1]
    is_kept = np.zeros(count + 1, dtype=bool)
    is_kept[np.unique(core)] = True
    is_kept[0] = False
    kept: NDArray[np.bool_] = is_kept[labels]
    return kept


def _shank_radius(radii: FloatArray) -> float:
    """Return the median radius of the front half, which holds no head."""
    front = radii[len(radii) // 2 :]
    return float(np.median(front))


def _narrow(widths: _Widths) -> NDArray[np.bool_]:
    is_run = np.zeros(len(widths.along_mm), dtype=bool)
    is_run[widths.run] = True
    return (
        is_run
        & (widths.radii_mm > 0.8 * widths.shank_mm)  # not the pointed tip
        & (widths.radii_mm < BEGINS_TO_WIDEN * widths.shank_mm)
    )


def _fit_line(
    origin: FloatArray, direction: FloatArray, widths: _Widths
) -> tuple[FloatArray, FloatArray]:
    """Return the line through the narrow planes' middles, stray ones left out."""
    kept = _narrow(widths)
    across = _across(direction)
    for _ in range(3):
        if kept.sum() < LEAST_PLANES:
            raise _no_shank()
        places = np.column_stack([np.ones(int(kept.sum())), widths.along_mm[kept]])
        line = np.linalg.lstsq(places, widths.middles_mm[kept])[0]
        design = np.column_stack([np.ones(len(widths.along_mm)), widths.along_mm])
        stray = np.hypot(*(widths.middles_mm - design @ line).T)
        limit = max(0.2, 3.0 * float(np.median(stray[kept])))
        kept = _narrow(widths) & (stray <= limit)
    turned = unit(direction + line[1] @ across)
    return origin + line[0] @ across, turned


def _entry(widths: _Widths) -> float:
    """Return the depth at which, going backwards, the metal begins to widen, or ends."""
    ratio = widths.radii_mm / widths.shank_mm
    middle = (widths.run.start + widths.run.stop) // 2
    wide = np.flatnonzero(ratio[: middle + 1] >= WIDENED)
    number = int(wide[-1]) if len(wide) else -1
    if number < 0:
        return float(widths.along_mm[widths.run.start])
    while number < middle and ratio[number] > BEGINS_TO_WIDEN:
        number += 1
    before, after = ratio[number - 1], ratio[number]
    share = (before - BEGINS_TO_WIDEN) / max(before - after, 1e-9)
    return float(widths.along_mm[number - 1] + np.clip(share, 0.0, 1.0) * STEP_MM)


def _tip(
    voxels: Voxels, affine: ArrayLike, origin: FloatArray, direction: FloatArray, widths: _Widths
) -> float:
    """Return the depth at which brightness has fallen half way from the metal to beyond it."""
    fine = 0.1
    end = float(widths.along_mm[widths.run.stop - 1])
    inside = sample_points(
        voxels, affine, origin + (end - np.arange(2.0, 6.0, fine))[:, None] * direction
    )
    depths = end + np.arange(-3.0, 6.0, fine)
    values = sample_points(voxels, affine, origin + depths[:, None] * direction).astype(float)
    beyond = float(np.median(values[-20:]))
    half = (float(np.median(inside)) + max(beyond, -1000.0)) / 2.0
    below = np.flatnonzero(values < half)
    if len(below) == 0 or below[0] == 0:
        return end
    number = int(below[0])
    share = (values[number - 1] - half) / (values[number - 1] - values[number])
    return float(depths[number - 1] + share * fine)
