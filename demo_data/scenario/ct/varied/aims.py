"""Screw plans that aim at a wall: sizes as a surgeon would choose, offsets worked out to breach."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..placement import ScrewPlan, place
from ..solids import coordinates_of
from .scene import SceneScrew

if TYPE_CHECKING:
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
    width, height, convergence = bone.shape.pedicle(side)
    diameter = _diameter(bone, width, height, generator)
    slack = (width - diameter) / 2
    above = (height - diameter) / 2
    wobble = generator.normal(0, (max(0.0, 0.25 * slack), max(0.0, 0.2 * above), 1.5, 2.0))
    medial, cranial, inwards, upwards = (float(part) for part in wobble)
    upwards += bone.shape.pedicle_rise_deg * 0.7
    apart = generator.uniform(0, 1)
    if aim == "medial":
        medial = slack + extent_mm
    elif aim == "lateral":
        medial = -slack - extent_mm
    elif aim == "cranial":
        cranial = above + extent_mm
    elif aim == "caudal":
        cranial = -above - extent_mm
    elif aim.startswith("wholly"):
        medial = ((width + diameter) / 2 + apart) * (1.0 if aim == "wholly_medial" else -1.0)
    elif aim == "body_lateral":
        inwards, medial = -(convergence + 14.0 + 10.0 * apart), -0.3 * max(slack, 0.0)
    elif aim == "endplate":
        upwards, cranial = 15.0 + 8.0 * apart, 0.5
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
    return SceneScrew(replace(plan, length_mm=length), proud_mm=proud, aim=aim)


def _diameter(bone: Bony, width: float, height: float, generator: np.random.Generator) -> float:
    """Return about four fifths of the pedicle's lesser size, to half a millimetre."""
    share = generator.uniform(0.68, 0.86)
    room = min(width, height * 0.75) if bone.shape.level != "S1" else height * 0.62
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
        length = np.floor((front - _SHORT_OF_FRONT_MM) / step) * step
        return float(np.clip(length, _SHORTEST_MM, _LONGEST_MM)), 0.0
    length = np.ceil((front + beyond_mm) / step) * step
    return float(length), round(float(length - front - beyond_mm), 2)
