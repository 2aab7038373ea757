"""A shank fitted to metal near a first guess: its line, where it leaves the head, its tip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from registry.measure.axes import ScrewAxis
from registry.measure.sampling import sample_points
from registry.measure.shank import (
    BEGINS_TO_WIDEN,
    STEP_MM,
    WIDENED,
    Line,
    Sections,
    Shank,
    distance_to,
    fitted_line,
    no_shank,
    sections_along,
)
from registry.measure.shank_tip import Blur, beyond_half_mm, tip_fall

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from registry.measure.axes import FloatArray
    from registry.measure.sampling import Voxels

SHORTEST_SHANK_MM = 10.0
"""Metal shorter than this, or than twice its width, is no shank; ours."""
LEAST_BONE_HU, MOST_BONE_HU = 0.0, 2000.0
"""Bounds for what is taken to lie about a shank, streaks over it included; ours."""
AROUND_MM = 3.0
DIMMEST_EDGE_HU = 1300.0
_ROUNDS = 3
_NECK_PLANES = 4
_ALIKE = 0.5
_OF_CUT_OFF = 0.88
"""Metal that goes beyond the scale's end has its edge near that end: half of what it would read
lies above it. Ours."""
_SHARP_MM = 0.72
_OF_CUT_OFF_BLURRED = 0.65
BRIGHTER = 2.5
"""How much brighter than the scale's end titanium would read; ours."""
_FINE_MM = 0.1


@dataclass(frozen=True, eq=False)
class FittedShank:
    """A shank with what its ends were judged by.

    Attributes
    ----------
    axis : entry and tip
    line, sections : depths in `sections` run along `line`
    entry_along_mm, tip_along_mm : where they lie on the line
    threshold : HU that outlines the metal
    core_hu : along the shank's middle
    is_cut_off : whether the metal is brighter than the scale can show
    is_tip_hidden : whether the tip lies against another screw, where brightness does not fall
    """

    axis: ScrewAxis
    line: Line
    sections: Sections
    entry_along_mm: float
    tip_along_mm: float
    threshold: float
    core_hu: float
    is_cut_off: bool
    is_tip_hidden: bool

    @property
    def is_headed(self) -> bool:
        """Whether the metal widens behind the entry."""
        behind = self.sections.along_mm <= self.entry_along_mm
        return bool((self.sections.radii_mm[behind] >= WIDENED * self.sections.shank_mm).any())

    @property
    def shank(self) -> Shank:
        """The axis and the metal's radius."""
        return Shank(self.axis, self.sections.shank_mm)


def fit_shank(
    voxels: Voxels,
    affine: ArrayLike,
    guess: Line,
    threshold: float,
    beside: Sequence[Shank] = (),
) -> FittedShank:
    """Return the shank along a guessed line.

    In planes normal to the line the metal's middle and width are measured every half millimetre
    and a line is fitted through the middles of the narrow ones, several times over; the edge is
    half way from what lies about it to its own brightness. Entry is where, going backwards, the
    metal begins to widen into the head (or ends); tip is a little
    beyond where the brightness along the axis has fallen half way, as far as blur dims a point.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU
    affine : (4, 4), (i, j, k) to LPS mm
    guess : forwards, within some 6 degrees of the shank, its origin in the metal
    threshold : HU, what counts as metal at first
    beside : other screws that touch this one

    Raises
    ------
    BadInputError : the metal there is not long and thin
    """
    line, edge, core, is_cut_off = guess, threshold, threshold, False
    for _ in range(_ROUNDS):
        sections = sections_along(voxels, affine, line, edge, beside)
        line = fitted_line(line, sections)
        core, is_cut_off = _core(voxels, affine, line, sections)
        around = _around(voxels, affine, line, sections)
        share = _share(affine, line) if is_cut_off else 0.5
        edge = max(DIMMEST_EDGE_HU, around + share * (core - around))
    sections = sections_along(voxels, affine, line, edge, beside)
    entry = _entry(sections)
    hidden = _hidden_from(line, sections, beside)
    brighter = BRIGHTER if is_cut_off else 1.0
    tip = _tip(voxels, affine, line, sections, core, brighter) if hidden is None else hidden
    if tip - entry < max(SHORTEST_SHANK_MM, 4.0 * sections.shank_mm):
        raise no_shank()
    axis = ScrewAxis.through(line.at(entry), line.at(tip))
    return FittedShank(axis, line, sections, entry, tip, edge, core, is_cut_off, hidden is not None)


def _share(affine: ArrayLike, line: Line) -> float:
    """Return where between surroundings and the scale's end cut-off metal has its edge."""
    across = Blur.of(affine, line.direction).across_mm[1]
    return _OF_CUT_OFF if across < _SHARP_MM else _OF_CUT_OFF_BLURRED


def _core(voxels: Voxels, affine: ArrayLike, line: Line, sections: Sections) -> tuple[float, bool]:
    """Return the median brightness where the shank is narrow, and whether the scale ends there."""
    depths = sections.along_mm[sections.narrow()]
    if len(depths) == 0:
        raise no_shank()
    values = sample_points(voxels, affine, line.at(depths))
    # Grain leaves no two values alike, unless all are the scale's last.
    return float(np.median(values)), float(np.mean(values == values.max())) > _ALIKE


def _around(voxels: Voxels, affine: ArrayLike, line: Line, sections: Sections) -> float:
    """Return the median brightness about the front of the shank, within bounds."""
    depths = sections.along_mm[sections.narrow()]
    turn = np.arange(12) * np.pi / 6.0
    ring = (sections.shank_mm + AROUND_MM) * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    points = line.at(depths[len(depths) // 3 :])[:, None] + ring @ line.across()
    around = float(np.median(sample_points(voxels, affine, points)))
    return min(max(around, LEAST_BONE_HU), MOST_BONE_HU)


def _entry(sections: Sections) -> float:
    """Return the depth at which, going backwards, the metal begins to widen, or ends.

    Widening is against the shank just in front, which streaks may have made wider than its tip.
    """
    radii = sections.radii_mm
    middle = (sections.run.start + sections.run.stop) // 2
    wide = np.flatnonzero(radii[: middle + 1] >= WIDENED * sections.shank_mm)
    number = int(wide[-1]) if len(wide) else -1
    if number < 0:
        return float(sections.along_mm[sections.run.start])
    in_front = radii[number + _NECK_PLANES : number + 4 * _NECK_PLANES]
    own = max(sections.shank_mm, float(np.median(in_front)))
    ratio = radii / own
    while number < middle and ratio[number] > BEGINS_TO_WIDEN:
        number += 1
    before, after = ratio[number - 1], ratio[number]
    share = (before - BEGINS_TO_WIDEN) / max(before - after, 1e-9)
    return float(sections.along_mm[number - 1] + np.clip(share, 0.0, 1.0) * STEP_MM)


def _hidden_from(line: Line, sections: Sections, beside: Sequence[Shank]) -> float | None:
    """Return the depth at which the line's end runs into another screw, or None."""
    end = float(sections.along_mm[sections.run.stop - 1])
    depths = end + np.arange(-2.0, 2.0, _FINE_MM)
    for shank in beside:
        away: FloatArray = distance_to(line.at(depths), shank.axis)
        inside = np.flatnonzero(away < shank.radius_mm)
        if len(inside):
            return float(depths[inside[0]])
    return None


def _tip(
    voxels: Voxels,
    affine: ArrayLike,
    line: Line,
    sections: Sections,
    core: float,
    brighter: float,
) -> float:
    """Return the depth of the end: beyond where brightness along the axis has fallen half way."""
    fall = tip_fall(voxels, affine, line, sections, core)
    if fall is None:
        return float(sections.along_mm[sections.run.stop - 1])
    blur = Blur.of(affine, line.direction)
    return fall.half_mm + beyond_half_mm(sections.shank_mm, blur, fall.fall_mm, brighter)[0]
