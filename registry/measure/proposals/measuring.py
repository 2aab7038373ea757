"""What can be measured of one screw: its pedicle's walls, its body's, and its angles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.directions import BODY_WALLS, PEDICLE_WALLS, Direction
from registry.domain.problems import BadInputError
from registry.measure.axes import section_frame, section_to_patient
from registry.measure.extents import pedicle_extents
from registry.measure.proposals.bared import without_own_metal
from registry.measure.proposals.closing import LEAST_SECTIONS, closed_curves, thinned
from registry.measure.proposals.pedicle import see_cortex
from registry.measure.proposals.rings import find_course
from registry.measure.proposals.sacrum import S1_WALLS, wall_marks
from registry.measure.proposals.straight import MOST_BLOOM_MM, straighten
from registry.measure.proposals.sureness import Sureness, bordering_mm
from registry.measure.uncertainty import UNKNOWN_DIAMETER_SD_MM
from registry.measure.wall_extents import S1_DEPTH_MM, s1_extents

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike

    from registry.domain.directions import Side
    from registry.measure.axes import FloatArray, Midplane, ScrewAxis, SectionFrame
    from registry.measure.extents import PedicleExtents
    from registry.measure.proposals.carried import Like
    from registry.measure.proposals.pedicle import SeenCortex
    from registry.measure.proposals.records import ProposedExtent
    from registry.measure.proposals.straight import Straight, Tissue
    from registry.measure.sampling import Voxels

LEAST_WORTH = 0.55
MOST_GAP_MM = 1.5
"""A screw that lies farther than this from the ring that was found is measured against none."""
MARKS_A_SECTION = 24
SACRAL_SD_MM = 0.5
"""What the bend of S1's walls about a screw adds to an extent's uncertainty; on drawings."""
SACRAL_MISSING_MM = 3.0
"""So many of the sections from the entry on may miss the wall, for it begins behind the canal."""
LEAST_ON_WALL = 8
"""Places on a wall of S1, half a millimetre apart, that make it seen in a section; ours."""
NO_RING = "no closed ring of bone was seen beside or around the screw"
FEW_SECTIONS = "the bone closes in fewer than three sections"
NO_RING_AT_S1 = "the wing of the sacrum closes no ring here"
PART_OF_WALL = "the wall is not seen all along the first 14 mm"
ROUGH_WALL = "no smooth wall passes near the places that are seen"
ALOOF = "the ring of bone that was seen lies apart from the screw and may be another bone's"
GLARE = "the metal's glare hides the bone beside the screw"


@dataclass(frozen=True)
class Shank:
    """A screw to be measured.

    Attributes
    ----------
    axis : entry and tip, LPS
    side : the patient's
    diameter_mm : the catalogue's, else estimated
    is_diameter_estimated : which of them
    closes_a_ring : whether its pedicle does: everywhere but at S1
    """

    axis: ScrewAxis
    side: Side
    diameter_mm: float
    is_diameter_estimated: bool = False
    closes_a_ring: bool = True

    @property
    def radius_mm(self) -> float:
        """Half the diameter."""
        return self.diameter_mm / 2.0

    @property
    def diameter_sd_mm(self) -> float:
        """What an estimated diameter adds to an extent's standard deviation."""
        return UNKNOWN_DIAMETER_SD_MM if self.is_diameter_estimated else 0.0


@dataclass(frozen=True, eq=False)
class PedicleFound:
    """What was measured in a screw's pedicle.

    Attributes
    ----------
    extents : by wall
    not_measured : why, by wall
    outlines : depth to the places seen
    isthmus_mm : (3,), LPS, the middle of the narrowest section, None where there is none
    last_mm : depth of the last closed section, None where there is none
    tissue : what soft tissue and cortex read here
    """

    extents: Mapping[Direction, ProposedExtent]
    not_measured: Mapping[Direction, str]
    outlines: Mapping[float, tuple[tuple[float, float], ...]]
    isthmus_mm: FloatArray | None
    last_mm: float | None
    tissue: Tissue


@dataclass(frozen=True, eq=False)
class Look:
    """What is seen about a screw, before anything is measured.

    Attributes
    ----------
    shank : Shank
    midplane : of the vertebra, None where it was not found
    straight : the CT along the screw
    seen : the pedicle's cortex, None where none is seen
    why : it is not
    """

    shank: Shank
    midplane: Midplane | None
    straight: Straight
    seen: SeenCortex | None
    why: str = ""

    @property
    def frame(self) -> SectionFrame:
        """The frame of the section at the entry."""
        return section_frame(self.shank.axis, 0.0, self.shank.side, self.midplane)


def look_about(voxels: Voxels, affine: ArrayLike, shank: Shank, midplane: Midplane | None) -> Look:
    """Return what is seen of a screw's pedicle.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU
    affine : (4, 4), (i, j, k, 1) to LPS mm
    shank : Shank
    midplane : of the vertebra, else the side alone orients
    """
    straight = straighten(voxels, affine, shank.axis, shank.side, midplane, shank.radius_mm)
    if not shank.closes_a_ring:
        return Look(shank, midplane, straight, None, NO_RING_AT_S1)
    if max(straight.bloom_mm) >= MOST_BLOOM_MM:
        return Look(shank, midplane, straight, None, GLARE)
    course = find_course(straight, shank.radius_mm, shank.axis.length_mm)
    if course is None or course.worth < LEAST_WORTH:
        return Look(shank, midplane, straight, None, NO_RING)
    bared = without_own_metal(straight, shank.radius_mm, shank.axis.length_mm)
    return Look(shank, midplane, straight, see_cortex(bared, course))


def measure_pedicle(look: Look, likes: Sequence[Like], affine: ArrayLike) -> PedicleFound:
    """Return the pedicle's extents, each with its uncertainty or why it was not measured.

    Parameters
    ----------
    look : Look
    likes : other pedicles that should look like this one
    affine : (4, 4), (i, j, k, 1) to LPS mm
    """
    if look.seen is not None:
        return _ringed(look, look.seen, likes, affine)
    if not look.shank.closes_a_ring:
        return _sacral(look.straight, look.shank, look.frame, affine)
    return _nothing(look.straight, look.why)


def _ringed(look: Look, seen: SeenCortex, likes: Sequence[Like], affine: ArrayLike) -> PedicleFound:
    straight, shank, frame = look.straight, look.shank, look.frame
    curves, marks = closed_curves(seen, likes)
    if len(curves) < LEAST_SECTIONS:
        return _nothing(straight, FEW_SECTIONS)
    try:
        found = pedicle_extents(shank.radius_mm, curves, shank.axis.length_mm)
    except BadInputError:
        return _nothing(straight, FEW_SECTIONS)
    if _is_aloof(found, shank):
        return _nothing(straight, ALOOF)
    sures = Sureness(frame, affine, shank.diameter_sd_mm)
    extents, hidden = sures.told(found, bordering_mm(shank.radius_mm, curves, shank.axis.length_mm))
    isthmus = min(curves, key=lambda depth: abs(depth - (found.isthmus_mm or 0.0)))
    middle = section_to_patient(
        curves[isthmus].points.mean(axis=0),
        section_frame(shank.axis, isthmus, shank.side, look.midplane),
    )
    return PedicleFound(
        extents,
        hidden,
        thinned(marks, MARKS_A_SECTION),
        middle,
        found.last_depth_mm,
        straight.tissue,
    )


def _is_seen_along(seen: Mapping[float, FloatArray]) -> bool:
    """Return whether a wall of S1 is seen all along what is measured of it.

    Where it bends behind the screw it is hidden just where a screw leaves the bone.
    """
    depths = [depth for depth in seen if 0.0 <= depth <= S1_DEPTH_MM]
    return bool(depths) and (
        min(depths) <= SACRAL_MISSING_MM
        and max(depths) >= S1_DEPTH_MM - 0.5
        and len(depths) >= S1_DEPTH_MM + 1.0 - SACRAL_MISSING_MM
    )


def _is_aloof(found: PedicleExtents, shank: Shank) -> bool:
    """Return whether the screw does not even touch the ring that was found."""
    greatest = found.greatest
    farthest = shank.diameter_mm + MOST_GAP_MM
    return greatest is not None and greatest[1].extent_mm > farthest


def _sacral(
    straight: Straight, shank: Shank, frame: SectionFrame, affine: ArrayLike
) -> PedicleFound:
    extents: dict[Direction, ProposedExtent] = {}
    not_measured = dict.fromkeys((Direction.LATERAL, Direction.CRANIAL), NO_RING_AT_S1)
    for wall in S1_WALLS:
        marks = wall_marks(straight, wall)
        seen = {depth: places for depth, places in marks.items() if len(places) >= LEAST_ON_WALL}
        if not _is_seen_along(seen):
            not_measured[wall] = PART_OF_WALL
            continue
        try:
            found = s1_extents(
                shank.radius_mm,
                seen if wall is Direction.MEDIAL else {},
                seen if wall is Direction.CAUDAL else {},
            )
        except BadInputError:
            not_measured[wall] = ROUGH_WALL
            continue
        sures = Sureness(frame, affine, float(np.hypot(shank.diameter_sd_mm, SACRAL_SD_MM)))
        measured, hidden = sures.told(found)
        extents |= measured
        not_measured |= hidden
    depth = min(S1_DEPTH_MM, shank.axis.length_mm)
    return PedicleFound(extents, not_measured, {}, shank.axis.at(depth), depth, straight.tissue)


def _nothing(straight: Straight, why: str) -> PedicleFound:
    return PedicleFound({}, dict.fromkeys(PEDICLE_WALLS, why), {}, None, None, straight.tissue)


def without_body(why: str) -> dict[Direction, str]:
    """Return the same reason for every wall of the body."""
    return dict.fromkeys(BODY_WALLS, why)
