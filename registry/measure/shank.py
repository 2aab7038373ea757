"""The straight metal of a screw: planes across it, and the line through their middles."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from registry.domain.problems import BadInputError, Fault
from registry.measure.axes import unit
from registry.measure.sampling import sample_points

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from registry.measure.axes import FloatArray, ScrewAxis
    from registry.measure.sampling import Voxels

REACH_MM = 100.0
STEP_MM = 0.5
PATCH_MM = 7.0
PATCH_STEP_MM = 0.5
BEGINS_TO_WIDEN = 1.1
WIDENED = 1.3
"""A section this many times as wide as the shank belongs to the head; ours."""
_TAPERS_MM = 0.35
"""A thin screw that tapers is wider by a greater share at its back; ours."""
LEAST_PLANES = 6
"""Three millimetres of shank tell no direction; ours."""


@dataclass(frozen=True)
class Shank:
    """A screw's axis and the radius that its metal shows, wider than the catalogue's by bloom."""

    axis: ScrewAxis
    radius_mm: float


@dataclass(frozen=True, eq=False)
class Line:
    """A straight line: a point of it and its unit direction, LPS mm, each (3,)."""

    origin: FloatArray
    direction: FloatArray

    def at(self, along_mm: ArrayLike) -> FloatArray:
        """Return the points at depths along the line, (..., 3)."""
        along = np.asarray(along_mm, dtype=np.float64)[..., None]
        result: FloatArray = self.origin + along * self.direction
        return result

    def across(self) -> FloatArray:
        """Return two unit vectors at right angles to the line, (2, 3)."""
        first = unit(np.cross(self.direction, (0.0, 0.0, 1.0)))
        return np.stack([first, np.cross(self.direction, first)])


@dataclass(frozen=True, eq=False)
class Sections:
    """The metal in planes across a line, every half millimetre.

    Attributes
    ----------
    along_mm : (n,), depths along the line
    middles_mm : (n, 2), the middle of the metal's inside off the line, in its two directions
        across
    radii_mm : (n,), of the circle with the metal's area
    shapes : (n,), the metal's least over its greatest half axis, 1 for a circle, 0 for none
    shank_mm : the shank's own radius
    run : the planes in which the line itself lies in metal
    """

    along_mm: FloatArray
    middles_mm: FloatArray
    radii_mm: FloatArray
    shapes: FloatArray
    shank_mm: float
    run: slice

    def narrow(self) -> NDArray[np.bool_]:
        """Return which planes hold the shank alone: neither head nor pointed tip.

        What lies behind the head, a rod's end or a set screw's edge, can be as narrow as a shank.
        """
        is_run = np.zeros(len(self.along_mm), dtype=bool)
        is_run[self.run] = True
        middle = (self.run.start + self.run.stop) // 2
        heads = np.flatnonzero(self.radii_mm[:middle] >= WIDENED * self.shank_mm)
        is_run[: int(heads[-1]) + 1 if len(heads) else 0] = False
        return (
            is_run
            & (self.radii_mm > 0.8 * self.shank_mm)
            & (self.radii_mm < max(BEGINS_TO_WIDEN * self.shank_mm, self.shank_mm + _TAPERS_MM))
        )


def no_shank() -> BadInputError:
    """Return what is said where metal is no screw's shank."""
    return BadInputError(
        Fault(
            "the metal near this point is no screw's shank: none of it is long, thin and points "
            "forwards",
            "screw axis",
            "pick the shank between head and tip, or set entry and tip by hand",
        )
    )


def sections_along(
    voxels: Voxels,
    affine: ArrayLike,
    line: Line,
    threshold: float,
    beside: Sequence[Shank] = (),
) -> Sections:
    """Return the metal in planes across a line, about the run of metal that holds its origin.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU
    affine : (4, 4), (i, j, k) to LPS mm
    line : through the metal
    threshold : HU, what counts as metal
    beside : other screws that touch this one: what lies nearer their edge is theirs

    Raises
    ------
    BadInputError : no metal lies on the line
    """
    along = np.arange(-REACH_MM, REACH_MM + STEP_MM / 2.0, STEP_MM)
    places = line.at(along)
    on_line = sample_points(voxels, affine, places) >= threshold
    on_line &= ~_is_theirs(places, np.zeros(len(places)), beside)
    run = _run_about(on_line, len(along) // 2)
    # A little more at either end shows where the metal ends.
    first, last = max(0, run.start - 4), min(len(along), run.stop + 4)
    along = along[first:last]
    ticks = np.arange(-PATCH_MM, PATCH_MM + PATCH_STEP_MM / 2.0, PATCH_STEP_MM)
    patch = np.stack(np.meshgrid(ticks, ticks, indexing="ij"), axis=-1)
    points = line.at(along)[:, None, None] + patch @ line.across()
    mask = sample_points(voxels, affine, points) >= threshold
    mask &= ~_is_theirs(points, np.linalg.norm(patch, axis=-1), beside)
    mask = _connected(mask, len(ticks) // 2)
    run = slice(run.start - first, run.stop - first)
    return _summed(along, mask, patch, run)


def _summed(along: FloatArray, mask: NDArray[np.bool_], patch: FloatArray, run: slice) -> Sections:
    flat = mask.reshape(len(along), -1).astype(np.float64)
    _, spread, mixed = _moments(flat, patch)
    half, apart = spread.sum(axis=1) / 2.0, (spread[:, 0] - spread[:, 1]) / 2.0
    swing = np.hypot(apart, mixed)
    shapes = np.sqrt(np.maximum(half - swing, 0.0) / np.maximum(half + swing, 1e-9))
    radii = np.sqrt(flat.sum(axis=1) * PATCH_STEP_MM**2 / math.pi)
    middles, _, _ = _moments(_inner(mask), patch)
    return Sections(along, middles, radii, shapes, _shank_radius(radii[run]), run)


def _moments(weights: FloatArray, patch: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the means (n, 2), variances (n, 2) and covariances (n,) of planes' weights."""
    first, second = patch[..., 0].ravel(), patch[..., 1].ravel()
    sums = weights @ np.stack(
        [np.ones_like(first), first, second, first**2, second**2, first * second], axis=1
    )
    sums = sums[:, 1:] / np.maximum(sums[:, :1], 1e-9)
    means = sums[:, :2]
    return means, sums[:, 2:4] - means**2, sums[:, 4] - means[:, 0] * means[:, 1]


def _inner(mask: NDArray[np.bool_]) -> FloatArray:
    """Return weights that grow towards the inside of the metal in each plane, (n, pixels).

    Streaks and other metal that touch a shank pull its outline aside, and its inside less.
    """
    depth = ndimage.distance_transform_edt(mask, sampling=(1e3, PATCH_STEP_MM, PATCH_STEP_MM))
    weights: FloatArray = depth.reshape(len(mask), -1) ** 2
    return weights


def _is_theirs(
    points: FloatArray, off_line: FloatArray, beside: Sequence[Shank]
) -> NDArray[np.bool_]:
    """Return which points lie in another shank and nearer its axis than this line."""
    theirs = np.zeros(points.shape[:-1], dtype=bool)
    for shank in beside:
        away = distance_to(points, shank.axis)
        theirs |= (away < shank.radius_mm + 1.0) & (away < off_line)
        theirs |= away < np.minimum(shank.radius_mm, off_line)
        theirs |= (off_line == 0.0) & (away < 0.8 * shank.radius_mm)
    return theirs


def distance_to(points: FloatArray, axis: ScrewAxis) -> FloatArray:
    """Return how far points, (..., 3), lie from the segment from entry to tip, mm."""
    entry, direction = np.asarray(axis.entry_mm), axis.direction
    along = np.clip((points - entry) @ direction, 0.0, axis.length_mm)
    away: FloatArray = np.linalg.norm(points - entry - along[..., None] * direction, axis=-1)
    return away


def _run_about(on_line: NDArray[np.bool_], middle: int) -> slice:
    """Return the unbroken run of metal that holds, or lies nearest, the middle."""
    labels, count = ndimage.label(on_line)
    if count == 0:
        raise no_shank()
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


def fitted_line(line: Line, sections: Sections) -> Line:
    """Return the line through the narrow planes' middles, stray ones left out.

    Raises
    ------
    BadInputError : too few planes are narrow
    """
    kept = sections.narrow()
    design = np.column_stack([np.ones(len(sections.along_mm)), sections.along_mm])
    for _ in range(3):
        if kept.sum() < LEAST_PLANES:
            raise no_shank()
        fit = np.linalg.lstsq(design[kept], sections.middles_mm[kept])[0]
        stray = np.hypot(*(sections.middles_mm - design @ fit).T)
        limit = max(0.2, 3.0 * float(np.median(stray[kept])))
        kept = sections.narrow() & (stray <= limit)
    across = line.across()
    return Line(line.origin + fit[0] @ across, unit(line.direction + fit[1] @ across))
