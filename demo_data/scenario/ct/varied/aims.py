"""Screw plans that aim at a wall: sizes as a surgeon would choose, offsets worked out to breach."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..levels import SIDE_SIGN
from ..placement import ScrewPlan, place
from ..solids import coordinates_of
from .scene import SceneScrew

if TYPE_CHECKING:
    from ..levels import Vector
    from .spine import Bony

AIMS = (
    "contained",
    "medial",
    "lateral",
    "cranial",
    "caudal",
    "anterior",
    "body_lateral",
    "endplate",
    "wholly_medial",
    "wholly_lateral",
)
_CATALOGUE_MM = (4.0, 8.5)
_LENGTH_STEP_MM = 5.0
_SHORTEST_MM, _LONGEST_MM = 25.0, 60.0
_SHORT_OF_FRONT_MM = 4.0
_LEAST_CONVERGENCE_DEG = 4.0
_FROM_MIDDLE_MM = 1.0
_MOST_OUTWARDS_DEG = 16.0
_PEDICLE_REACH_MM = 9.0
_REACH_MM = np.arange(10.0, 90.0, 0.25)


def aimed(
    bone: Bony, side: str, aim: str, extent_mm: float, generator: np.random.Generator
) -> SceneScrew:
    """Return a screw that aims to stand `extent_mm` outside the wall that `aim` names.

    Raises
    ------
    ValueError : no such aim
    """
    if aim not in AIMS:
        raise ValueError(f"no aim is called {aim}")
    width, height, _ = bone.shape.pedicle(side)
    diameter = _diameter(bone, width, height, generator)
    room = ((width - diameter) / 2, (height - diameter) / 2)
    spread = (max(0.0, 0.25 * room[0]), max(0.0, 0.2 * room[1]), 1.5, 2.0)
    course = [float(part) for part in generator.normal(0, spread)]
    course[3] += bone.shape.pedicle_rise_deg * 0.7
    # A straight shank beside a body's edge would leave it; none but the strays point outwards.
    course[2] = max(course[2], _LEAST_CONVERGENCE_DEG - bone.shape.pedicle(side)[2])
    apart = float(generator.uniform(0, 1))
    if aim in ("body_lateral", "endplate"):
        _aim_at_body(course, bone, side, aim, extent_mm, diameter)
    else:
        _aim_at_pedicle(course, aim, extent_mm, room, diameter, apart)
    if aim == "medial" and bone.shape.level == "S1":
        # From the ala's back inwards; a straight course would start on the facet joint.
        course = [course[0] + 1.0, course[1], course[2] + 9.0, course[3]]
    medial, cranial, inwards, upwards = course
    technique = "subfacet" if bone.shape.is_thoracic else "lateral intersection"
    plan = ScrewPlan(
        bone.shape.level,
        side,
        diameter,
        _LONGEST_MM,
        round(medial, 2),
        round(cranial, 2),
        round(inwards, 2),
        round(upwards, 2),
        "sacral facet corner" if bone.shape.level == "S1" else technique,
        "freehand",
    )
    length, proud = _length(bone, plan, extent_mm if aim == "anterior" else None)
    away = {
        "endplate": bone.frame.axes[:, 2],
        "body_lateral": SIDE_SIGN[side] * bone.frame.axes[:, 0],
    }.get(aim)
    if away is not None:
        length = _length_past(bone, plan, diameter / 2 * away, extent_mm)
    return SceneScrew(replace(plan, length_mm=length), proud_mm=proud, aim=aim)


def _aim_at_pedicle(
    course: list[float],
    aim: str,
    extent_mm: float,
    room: tuple[float, float],
    diameter: float,
    apart: float,
) -> None:
    """Set the course's medial and cranial offset, in place."""
    beside = room[0] + diameter + apart
    offsets = {
        "medial": (0, room[0] + extent_mm),
        "lateral": (0, -room[0] - extent_mm),
        "cranial": (1, room[1] + extent_mm),
        "caudal": (1, -room[1] - extent_mm),
        "wholly_medial": (0, beside),
        "wholly_lateral": (0, -beside),
    }
    if aim in offsets:
        which, offset = offsets[aim]
        course[which] = offset


def _aim_at_body(
    course: list[float], bone: Bony, side: str, aim: str, extent_mm: float, diameter: float
) -> None:
    """Turn the course outwards or upwards, in place, so that it leaves the body."""
    shape = bone.shape
    width, height, convergence = shape.pedicle(side)
    if aim == "endplate":
        # Past the middle of the body the shank's upper edge reaches the endplate.
        rise = height / 2 + 2.0 - diameter / 2 + extent_mm
        course[3] = float(np.degrees(np.arctan(rise / (1.45 * shape.half_depth_mm))))
        return
    # Along the pedicle's outer wall, then out through the body's side at its middle.
    course[0] = -max((width - diameter) / 2, 0.0)
    outer = 0.94 * shape.half_width_mm + extent_mm - diameter / 2
    out = outer - shape.canal_width_mm / 2 - width / 2 + course[0]
    angle = float(np.degrees(np.arctan(max(0.0, out) / shape.half_depth_mm)))
    course[2] = -convergence - min(angle, _MOST_OUTWARDS_DEG) - 2.0


def _diameter(bone: Bony, width: float, height: float, generator: np.random.Generator) -> float:
    """Return about four fifths of the pedicle's lesser size, to half a millimetre."""
    share = generator.uniform(0.68, 0.86)
    room = min(width, height * 0.75) if bone.shape.level != "S1" else height * 0.66
    return float(np.clip(round(2 * share * room) / 2, *_CATALOGUE_MM))


def _length(bone: Bony, plan: ScrewPlan, beyond_mm: float | None) -> tuple[float, float]:
    """Return a catalogued length that stops short of the front, or ends `beyond_mm` past it.

    The second number is how far the shank then stays proud behind the bone.
    """
    screw = place(plan, bone)
    points = screw.entry + _REACH_MM[:, np.newaxis] * screw.forward
    is_bone = bone.outer_distance(coordinates_of(points)) < 0
    front = float(_REACH_MM[np.flatnonzero(is_bone)[-1]]) if is_bone.any() else 40.0
    step = _LENGTH_STEP_MM
    if beyond_mm is None:
        # Tips of a pair must not meet in the middle.
        left = (points - bone.frame.origin) @ bone.frame.axes[:, 0] * SIDE_SIGN[plan.side]
        own_side = left > plan.diameter_mm / 2 + _FROM_MIDDLE_MM
        if own_side[0] and not own_side.all():
            front = min(front, float(_REACH_MM[own_side.argmin()]) + _SHORT_OF_FRONT_MM)
        length = np.floor((front - _SHORT_OF_FRONT_MM) / step) * step
        return float(np.clip(length, _SHORTEST_MM, _LONGEST_MM)), 0.0
    length = np.ceil((front + beyond_mm) / step) * step
    return float(length), round(float(length - front - beyond_mm), 2)


def _length_past(bone: Bony, plan: ScrewPlan, edge: Vector, extent_mm: float) -> float:
    """Return the first length whose tip's `edge` stands far enough outside, else the farthest."""
    screw = place(plan, bone)
    lengths = np.arange(_SHORTEST_MM, _LONGEST_MM + 1.0, _LENGTH_STEP_MM)
    tips = screw.entry + edge + lengths[:, np.newaxis] * screw.forward
    outside = bone.outer_distance(coordinates_of(tips))
    isthmus = float((bone.pedicle_axis(plan.side).isthmus - screw.entry) @ screw.forward)
    outside[lengths < isthmus + _PEDICLE_REACH_MM] = -np.inf
    far = np.flatnonzero(outside >= extent_mm)
    return float(lengths[far[0] if far.size else outside.argmax()])
