"""How far a screw stands beyond the walls of its vertebral body."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.directions import Direction
from registry.measure.body import FORWARDS_DEG
from registry.measure.proposals.records import ProposedExtent

if TYPE_CHECKING:
    from registry.measure.axes import FloatArray, ScrewAxis, SectionFrame
    from registry.measure.proposals.body_wall import BodyWall
    from registry.measure.proposals.endplates import Endplate
    from registry.measure.proposals.midplane import VertebraFrame

DEPTH_STEP_MM = 0.5
EDGE_POINTS = 48
INSIDE_WALL_MM = 1.0
"""Places nearer to the body's wall than this, or beyond it, are not asked about its endplates."""
AHEAD_OF_PEDICLE_MM = 3.0
"""The body's side wall counts from so far in front of the pedicle's last closed section."""
HIDDEN_SD_MM = 0.7
"""Standard deviation where the wall is carried through what metal hides; set on drawings."""
_SIDEWAYS = 0.5
"""A wall faces sideways when so much of its normal does."""


@dataclass(frozen=True, eq=False)
class Body:
    """A vertebral body's surface: its frame, wall and endplates."""

    frame: VertebraFrame
    wall: BodyWall
    upper: Endplate
    lower: Endplate


@dataclass(frozen=True)
class Sizes:
    """Of a screw: its radius, and the depth at which its pedicle ends, mm."""

    radius_mm: float
    from_mm: float


def body_extents(
    body: Body, axis: ScrewAxis, section: SectionFrame, sizes: Sizes, sd_mm: float
) -> dict[Direction, ProposedExtent]:
    """Return the extents in front, at the side and through the endplates.

    Parameters
    ----------
    section : of the screw, at any depth
    sd_mm : of a wall that is seen
    """
    depths = np.arange(sizes.from_mm, axis.length_mm + 1e-6, DEPTH_STEP_MM)
    if len(depths) == 0:
        depths = np.array([axis.length_mm])
    turns = np.linspace(0.0, 2.0 * math.pi, EDGE_POINTS, endpoint=False)
    edge = sizes.radius_mm * np.column_stack([np.cos(turns), np.sin(turns)])
    ring = edge @ np.stack([section.medial, section.cranial])
    line = np.asarray(axis.entry_mm) + depths[:, None] * axis.direction
    places = body.frame.to_local((line[:, None, :] + ring).reshape(-1, 3))
    at = np.repeat(depths, EDGE_POINTS)
    return {
        Direction.ANTERIOR: _anterior(body, axis, sd_mm),
        Direction.BODY_LATERAL: _lateral(body, places, at, sizes, sd_mm),
        Direction.ENDPLATE: _endplates(body, places, at, sd_mm),
    }


def _sd(sd_mm: float, *, is_seen: bool) -> float:
    return sd_mm if is_seen else math.hypot(sd_mm, HIDDEN_SD_MM)


def _anterior(body: Body, axis: ScrewAxis, sd_mm: float) -> ProposedExtent:
    tip = body.frame.to_local([axis.tip_mm])
    beyond, normal, is_seen = body.wall.beyond_mm(tip)
    faces_forwards = -float(normal[0, 1]) >= math.cos(math.radians(FORWARDS_DEG))
    extent = max(0.0, float(beyond[0])) if faces_forwards else 0.0
    return ProposedExtent(extent, _sd(sd_mm, is_seen=bool(is_seen[0])), axis.length_mm)


def _lateral(
    body: Body, places: FloatArray, at: FloatArray, sizes: Sizes, sd_mm: float
) -> ProposedExtent:
    beyond, normal, is_seen = body.wall.beyond_mm(places)
    levels = body.wall.levels_mm
    counts = (
        (np.abs(normal[:, 0]) >= _SIDEWAYS)
        & (-normal[:, 1] < math.cos(math.radians(FORWARDS_DEG)))
        & (places[:, 1] < body.wall.centre_mm[1] + _back_reach_mm(body))
        & (at >= sizes.from_mm + AHEAD_OF_PEDICLE_MM)
        & (places[:, 2] > levels[0] - 1.0)
        & (places[:, 2] < levels[-1] + 1.0)
    )
    if not counts.any():
        return ProposedExtent(0.0, sd_mm)
    best = int(np.where(counts, beyond, -np.inf).argmax())
    extent = max(0.0, float(beyond[best]))
    return ProposedExtent(extent, _sd(sd_mm, is_seen=bool(is_seen[best])), float(at[best]))


def _back_reach_mm(body: Body) -> float:
    """Return how far behind its middle the body's side wall still is the body's own."""
    quarter = body.wall.radii_mm.shape[1] // 4
    return 0.6 * float(np.median(body.wall.radii_mm[:, quarter]))


def _endplates(body: Body, places: FloatArray, at: FloatArray, sd_mm: float) -> ProposedExtent:
    beyond_wall, _, _ = body.wall.beyond_mm(_held_between(body, places))
    is_over = beyond_wall < -INSIDE_WALL_MM
    if not is_over.any():
        return ProposedExtent(0.0, sd_mm)
    over, depth = places[is_over], at[is_over]
    found = []
    for plate, sign in ((body.upper, 1.0), (body.lower, -1.0)):
        rise = sign * (over[:, 2] - plate.height_mm(over[:, 0], over[:, 1]))
        found.append(rise * float(plate.normal(*body.wall.centre_mm)[2]))
    worst = np.maximum(*found)
    best = int(worst.argmax())
    return ProposedExtent(
        max(0.0, float(worst[best])), math.hypot(sd_mm, body.upper.spread_mm), float(depth[best])
    )


def _held_between(body: Body, places: FloatArray) -> FloatArray:
    """Return places moved up or down to where the wall is known."""
    held = places.copy()
    held[:, 2] = np.clip(held[:, 2], body.wall.levels_mm[0], body.wall.levels_mm[-1])
    return held
