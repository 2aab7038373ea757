"""A pedicle's outer cortex about a screw: where it is seen, and where it is hidden."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from registry.measure.proposals.evidence import bright_within, dark_beyond, falls
from registry.measure.proposals.straight import SPACING_MM, sampled
from registry.measure.proposals.surfaces import fall_places, filled, least_cost
from registry.measure.proposals.thin_walls import COMPACT_HU, thin_wall_shifts

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from registry.measure.axes import FloatArray
    from registry.measure.proposals.rings import PedicleCourse
    from registry.measure.proposals.straight import Straight
    from registry.measure.proposals.surfaces import Floats, Mask

TURNS = 64
FIRST_MM, LAST_MM, OUTWARD_STEP_MM = 1.0, 15.0, 0.25
BEFORE_MM, BEYOND_MM = 6, 7
"""Sections looked at before and beyond the stretch in which the rings were found."""
HIDDEN_COST = 0.55
BESIDE_METAL_MM = 1.0
"""So close to what metal hides a wall is not seen: its brightness leans on the edge; on drawings,
where such places lay 0.4 mm too far out on average, and others within 0.1 mm."""
SEEN_FROM = 0.3
"""Evidence, 0 to 1, from which the cortex counts as seen."""
CANAL_MM = (2.0, 6.0)
"""So far medially of the pedicle the canal is looked at."""
CANAL_RISE_HU, CANAL_RISE_SHARE = 60.0, 0.08
"""By how much the body is brighter than the canal, at least; set on drawings."""
_FULL_FALL = 0.42
_SHAPE_COST = 0.012
_SHAPE_SLACK_MM = 1.5


@dataclass(frozen=True, eq=False)
class SeenCortex:
    """The pedicle's outer cortex as rays from its course meet it.

    Attributes
    ----------
    depths_mm : (k,)
    points_mm : (k, turns, 2), (u, v)
    is_seen : (k, turns), the picture shows cortex there
    is_hidden : (k, turns), metal hides the place
    is_in_body : (k,), the body lies where medially of the pedicle the canal was
    slope : (u, v) that the pedicle's middle gains with every mm of depth
    """

    depths_mm: FloatArray
    points_mm: FloatArray
    is_seen: Mask
    is_hidden: Mask
    is_in_body: Mask
    slope: tuple[float, float]

    def places(self) -> FloatArray:
        """Return depth, u and v of every place that is seen before the body, (n, 3)."""
        chosen = self.is_seen & ~self.is_in_body[:, None]
        depths = np.broadcast_to(self.depths_mm[:, None], chosen.shape)
        return np.column_stack([depths[chosen], self.points_mm[chosen]])

    @property
    def closed_share(self) -> FloatArray:
        """Return in each section the share of what is not hidden that shows cortex, (k,)."""
        return np.asarray(self.is_seen.sum(axis=1) / np.maximum(1, (~self.is_hidden).sum(axis=1)))


def see_cortex(straight: Straight, course: PedicleCourse) -> SeenCortex:
    """Return the outer cortex about a pedicle's course."""
    first = max(0, course.first - BEFORE_MM)
    last = min(len(straight.depths_mm), course.last + BEYOND_MM + 1)
    depths = straight.depths_mm[first:last]
    centres = course.centres(depths)
    clipped = straight.clipped()
    smooth = _rays(filled(clipped, straight.hidden, (0.5, 0.6, 0.6))[first:last], centres)
    hidden = _rays(straight.hidden[first:last].astype(np.float32), centres) > 0.3  # noqa: PLR2004
    evidence = _evidence(smooth, straight)
    cost = np.where(hidden, HIDDEN_COST, 1.0 - evidence) + _shape_cost(course)
    numbers = least_cost(cost.astype(np.float32), is_closed=(False, True))
    sharp = _rays(filled(clipped, straight.hidden, (0.3, 0.4, 0.4))[first:last], centres)
    radii = fall_places(sharp, numbers, OUTWARD_STEP_MM, FIRST_MM)
    at = numbers[..., None]
    # Close beside metal the edge that shows is the metal's rim as much as the bone's.
    apart = _rays(_from_metal_mm(straight.hidden[first:last]), centres)
    is_hidden = np.take_along_axis(apart, at, axis=-1)[..., 0] < BESIDE_METAL_MM
    is_seen = ~is_hidden & (np.take_along_axis(evidence, at, axis=-1)[..., 0] > SEEN_FROM)
    radii = radii - thin_wall_shifts(sharp, radii, OUTWARD_STEP_MM, FIRST_MM, is_seen, COMPACT_HU)
    points = centres[:, None, :] + radii[..., None] * _circle()
    stretch = slice(course.first - first, course.last - first + 1)
    is_in_body = _in_body(sharp, hidden, numbers, straight, stretch)
    return SeenCortex(depths, points, is_seen, is_hidden, is_in_body, course.slope)


def _circle() -> FloatArray:
    turns = np.linspace(0.0, 2.0 * np.pi, TURNS, endpoint=False)
    return np.column_stack([np.cos(turns), np.sin(turns)])


def _outwards() -> FloatArray:
    return np.arange(FIRST_MM, LAST_MM + OUTWARD_STEP_MM / 2.0, OUTWARD_STEP_MM)


def _rays(values: Floats, centres: FloatArray) -> Floats:
    """Return values along rays from each section's centre, (k, turns, numbers)."""
    rays = _outwards()[:, None] * _circle()[None, :, None, :]
    return sampled(values, centres[:, None, None, :] + rays)


def _from_metal_mm(hidden: Mask) -> Floats:
    """Return how far each place of a section is from what metal hides there, same shape."""
    if not hidden.any():
        return np.full(hidden.shape, LAST_MM, dtype=np.float32)
    apart = ndimage.distance_transform_edt(~hidden, sampling=(LAST_MM, SPACING_MM, SPACING_MM))
    return np.asarray(apart, dtype=np.float32)


def _evidence(rays: Floats, straight: Straight) -> Floats:
    """Return how much each place of each ray looks like the outside of cortex, up to 1."""
    circle = _circle()
    wide, high = (max(1.0, width) for width in straight.blur)
    blur = np.hypot(circle[:, 0] * wide, circle[:, 1] * high)[None, :, None]
    fall = falls(rays, straight.tissue, 1.6, _FULL_FALL * OUTWARD_STEP_MM, blur)
    fall = ndimage.gaussian_filter1d(fall, 0.6, axis=1, mode="wrap")
    # Another bone may lie close beyond: darkness there weighs most, but is not asked for.
    dark = 0.2 + 0.8 * dark_beyond(rays, straight.tissue, 6, 1.0)
    found: Floats = fall * dark * bright_within(rays, straight.tissue)
    return found


def _in_body(
    rays: Floats, hidden: Mask, numbers: NDArray[np.intp], straight: Straight, stretch: slice
) -> Mask:
    """Return the sections in which something brighter than the canal lies medially, (k,).

    Compared with the stretch in which the rings were found, whose canal is known: marrow may be
    as dark as it likes as long as it is brighter than that.
    """
    cells = np.arange(rays.shape[-1])
    first, last = (round(each / OUTWARD_STEP_MM) for each in CANAL_MM)
    away = cells - numbers[..., None]
    turns = np.arange(TURNS)
    is_medial = np.minimum(turns, TURNS - turns) <= TURNS // 6
    looked = (away >= first) & (away <= last) & ~hidden & is_medial[None, :, None]
    count = looked.sum(axis=(1, 2))
    mean = (rays * looked).sum(axis=(1, 2)) / np.maximum(count, 1)
    canal = np.median(mean[stretch])
    rise = max(CANAL_RISE_HU, CANAL_RISE_SHARE * straight.tissue.contrast_hu)
    bright = (mean > canal + rise) & (count > 0)
    found = np.zeros(len(mean), dtype=bool)
    middle = (stretch.start + stretch.stop) // 2
    found[middle:] = np.logical_or.accumulate(bright[middle:])
    return found


def _shape_cost(course: PedicleCourse) -> FloatArray:
    """Return what a place costs for its distance from the ring that was found."""
    wide, high = course.half_sizes_mm
    ring = 1.0 / np.hypot(_circle()[:, 0] / wide, _circle()[:, 1] / high)
    away = np.maximum(0.0, np.abs(_outwards() - ring[:, None]) - _SHAPE_SLACK_MM)
    return np.asarray(_SHAPE_COST * away**2)
