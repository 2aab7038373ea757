"""The walls of S1 beside a screw, where no ring closes: the canal's and the foramen's."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from registry.domain.directions import Direction
from registry.measure.proposals.evidence import bright_within, dark_beyond, falls
from registry.measure.proposals.straight import sampled
from registry.measure.proposals.surfaces import fall_places, filled, least_cost, passing_cost
from registry.measure.wall_extents import S1_DEPTH_MM

if TYPE_CHECKING:
    from registry.measure.axes import FloatArray
    from registry.measure.proposals.straight import Straight
    from registry.measure.proposals.surfaces import Floats

S1_WALLS = (Direction.MEDIAL, Direction.CAUDAL)
ALONG_MM, ALONG_STEP_MM = 8.0, 0.5
INNERMOST_MM, OUTERMOST_MM, OUTWARD_STEP_MM = -5.0, 14.0, 0.25
SEEN_FROM = 0.3
_HIDDEN_COST = 0.55
_NO_WALL_COST = 0.6
"""What it costs to say that no wall lies within reach: more than a wall that is well seen."""
_FARTHER_COST = 0.004
_FULL_FALL = 0.4
_DARK_SHARE = 0.2


def wall_marks(straight: Straight, wall: Direction) -> dict[float, FloatArray]:
    """Return where one wall of S1 is seen over the first 14 mm: depth to places (u, v).

    A section that holds no such wall within 14 mm of the axis is left out.
    """
    chosen = (straight.depths_mm >= 0.0) & (straight.depths_mm <= S1_DEPTH_MM)
    depths = straight.depths_mm[chosen]
    clipped = straight.clipped()
    lines = _lines(filled(clipped, straight.hidden, (0.5, 0.6, 0.6))[chosen], wall)
    sharp = _lines(filled(clipped, straight.hidden, (0.3, 0.4, 0.4))[chosen], wall)
    hidden = _lines(straight.hidden[chosen].astype(np.float32), wall) > 0.3  # noqa: PLR2004
    evidence = _evidence(lines, straight, wall)
    outwards = _outwards()
    cost = np.where(hidden, _HIDDEN_COST, 1.0 - evidence) + _FARTHER_COST * np.abs(outwards)
    cost += passing_cost(evidence, OUTWARD_STEP_MM)
    cost[..., -1] = _NO_WALL_COST
    number = least_cost(cost.astype(np.float32))
    at = number[..., None]
    is_seen = ~np.take_along_axis(hidden, at, axis=-1)[..., 0]
    is_seen &= np.take_along_axis(evidence, at, axis=-1)[..., 0] > SEEN_FROM
    is_seen &= number < len(outwards) - 2
    out = fall_places(sharp, number, OUTWARD_STEP_MM, INNERMOST_MM)
    return {
        float(depth): _plane(out[k][is_seen[k]], _along()[is_seen[k]], wall)
        for k, depth in enumerate(depths)
        if is_seen[k].any()
    }


def _outwards() -> FloatArray:
    return np.arange(INNERMOST_MM, OUTERMOST_MM + OUTWARD_STEP_MM / 2.0, OUTWARD_STEP_MM)


def _along() -> FloatArray:
    return np.arange(-ALONG_MM, ALONG_MM + ALONG_STEP_MM / 2.0, ALONG_STEP_MM)


def _plane(out: FloatArray, along: FloatArray, wall: Direction) -> FloatArray:
    """Return (u, v) of places out of and along a wall, (..., 2)."""
    if wall is Direction.MEDIAL:
        return np.stack([out, along], axis=-1)
    return np.stack([along, -out], axis=-1)


def _lines(values: Floats, wall: Direction) -> Floats:
    """Return values along lines out through the wall, (k, along, out)."""
    out, along = np.broadcast_arrays(_outwards(), _along()[:, None])
    return sampled(values, _plane(out, along, wall)[None])


def _evidence(lines: Floats, straight: Straight, wall: Direction) -> Floats:
    tissue = straight.tissue
    blur = max(1.0, straight.blur[0 if wall is Direction.MEDIAL else 1])
    fall = falls(lines, tissue, 1.6, _FULL_FALL * OUTWARD_STEP_MM, blur)
    # Marrow behind a cortex is only a little brighter than the canal: it must not pass for it.
    dark = dark_beyond(lines, tissue, 6, _DARK_SHARE)
    found: Floats = fall * dark * bright_within(lines, tissue)
    return found
