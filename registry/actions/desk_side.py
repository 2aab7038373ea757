"""Whether the screw that was found can be the one to be read: its side, and no other's axis."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from registry.actions.desk_marks import read_placing
from registry.domain.directions import Side
from registry.domain.problems import BadInputError, Fault
from registry.measure.axes import MIDPLANE_TOO_NEAR_MM, voxel_to_patient
from registry.measure.metal import METAL_HU

if TYPE_CHECKING:
    from collections.abc import Iterable

    from registry.actions.desk_screw import OpenedScrew, Placing
    from registry.measure.axes import Point
    from registry.store.images import Image

# All of these are ours, without a source.
NEARBY_MM = 15.0
"""Metal of a construct is looked at this far above and below the entry."""
BEFORE_MM, BEHIND_MM = 10.0, 30.0
"""And this far in front of and behind it, where heads and rods lie apart."""
SPAN_OF_BOTH_SIDES_MM = 25.0
"""Heads and rods of one side alone span less than this across."""
LEAST_SHARE = 0.1
"""Of the metal, to either side of the middle; less is grain or a cross-link's end."""
UNCLEAR_MM = 3.0
"""An entry this close to the middle tells no side."""
SAME_AXIS_MM = 3.0
"""Two screws do not have both ends this close together."""

SAME_AXIS = Fault(
    "this screw was read already under another level or side",
    "screw axis",
    "look at the level again",
)
_WORDS = {Side.LEFT: "left", Side.RIGHT: "right"}


@dataclass(frozen=True)
class SideDoubt:
    """Why the screw that was found looks like the other side's.

    Attributes
    ----------
    words : one clause
    is_certain : by the midplane that the reader set; no tick puts it aside
    """

    words: str
    is_certain: bool


def side_doubt(screw: OpenedScrew, placing: Placing) -> SideDoubt | None:
    """Return what speaks against the side, None where nothing does or nothing can be told.

    With a midplane the entry has to lie on the screw's side of it. Without one the middle between
    the metal of both sides stands for it; where only one side holds metal, nothing is said.
    """
    entry = placing.axis.entry_mm
    other = Side.RIGHT if screw.side is Side.LEFT else Side.LEFT
    asked = f"the screw to be read is on the {_WORDS[screw.side]}"
    midplane = placing.midplane
    if midplane is not None:
        # The plane holds the head-to-foot direction and leans at most 45 degrees: x tells the side.
        leftwards = math.copysign(1.0, midplane.normal[0]) * midplane.distance_mm(entry)
        if not _is_beyond(leftwards, other, MIDPLANE_TOO_NEAR_MM):
            return None
        words = f"the entry lies on the patient's {_WORDS[other]} of the midplane; {asked}"
        return SideDoubt(words, is_certain=True)
    middle = metal_middle_mm(screw.image, entry)
    if middle is None or not _is_beyond(entry[0] - middle, other, UNCLEAR_MM):
        return None
    return SideDoubt(f"this looks like the patient's {_WORDS[other]} side; {asked}", False)


def _is_beyond(leftwards_mm: float, side: Side, least_mm: float) -> bool:
    """Return whether a place lies clearly on a side; the patient's left is +x in LPS."""
    return (leftwards_mm if side is Side.LEFT else -leftwards_mm) > least_mm


def side_faults(screw: OpenedScrew, placing: Placing, *, is_confirmed: bool) -> tuple[Fault, ...]:
    """Return what keeps a screw of this place from being saved for its side."""
    found = side_doubt(screw, placing)
    if found is None or (is_confirmed and not found.is_certain):
        return ()
    mend = "find the other screw, or set the midplane again"
    if not found.is_certain:
        mend = "find the other screw, or tick that this is the one"
    return (Fault(found.words, "side", mend),)


def metal_middle_mm(image: Image, entry_mm: Point) -> float | None:
    """Return x half way between the outermost metal about an entry, None where one side has none.

    The outer 2% on either side count as grain.
    """
    across = _metal_x(image, entry_mm)
    if len(across) == 0:
        return None
    low, high = np.percentile(across, (2.0, 98.0))
    middle = float(low + high) / 2.0
    share = float((across > middle).mean())
    if high - low < SPAN_OF_BOTH_SIDES_MM or not LEAST_SHARE <= share <= 1.0 - LEAST_SHARE:
        return None
    return middle


def _metal_x(image: Image, entry_mm: Point) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return x of the metal's voxels about an entry, LPS."""
    affine = np.asarray(image.affine, dtype=np.float64)
    slices, rows, columns = image.voxels.shape
    # Slices may lean: each reaches as far up and down as its corners do.
    lean = abs(affine[2, 0]) * columns + abs(affine[2, 1]) * rows
    heights = affine[2, 3] + affine[2, 2] * np.arange(slices)
    heights = heights + affine[2, 0] * columns / 2.0 + affine[2, 1] * rows / 2.0
    near = np.flatnonzero(np.abs(heights - entry_mm[2]) <= NEARBY_MM + lean / 2.0)
    if len(near) == 0:
        return np.empty(0)
    block = np.asarray(image.voxels[near[0] : near[-1] + 1])
    kji = np.argwhere(block >= METAL_HU)
    kji[:, 0] += near[0]
    places = voxel_to_patient(kji[:, ::-1].astype(np.float64), affine)
    behind = places[:, 1] - entry_mm[1]
    is_near = np.abs(places[:, 2] - entry_mm[2]) <= NEARBY_MM
    across: np.ndarray[tuple[int], np.dtype[np.float64]] = places[
        is_near & (behind >= -BEFORE_MM) & (behind <= BEHIND_MM), 0
    ]
    return across


def is_axis_of_another(placing: Placing, kept: Iterable[str]) -> bool:
    """Return whether readings of other screws, kept as JSON, have an axis at the same place."""
    return any(_is_same(placing, other) for text in kept if (other := _kept_placing(text)))


def _is_same(placing: Placing, other: Placing) -> bool:
    ends = (
        (placing.axis.entry_mm, other.axis.entry_mm),
        (placing.axis.tip_mm, other.axis.tip_mm),
    )
    return all(math.dist(here, there) <= SAME_AXIS_MM for here, there in ends)


def _kept_placing(text: str) -> Placing | None:
    """Return where a kept reading set its screw, None where it set none."""
    marks = json.loads(text).get("marks")
    if not isinstance(marks, dict):
        return None
    try:
        return read_placing(marks)
    except BadInputError:
        return None
