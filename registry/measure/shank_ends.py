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
    Line,
    Sections,
    Shank,
    distance_to,
    fitted_line,
    no_shank,
    sections_along,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from registry.measure.axes import FloatArray
    from registry.measure.sampling import Voxels

WIDENED = 1.3
"""A section this many times as wide as the shank belongs to the head; ours."""
SHORTEST_SHANK_MM = 10.0
"""Metal shorter than this, or than twice its width, is no shank; ours."""
LEAST_BONE_HU, MOST_BONE_HU = 0.0, 2000.0
"""Bounds for what is taken to lie about a shank, streaks over it included; ours."""
AROUND_MM = 3.0
DIMMEST_EDGE_HU = 1300.0
_ROUNDS = 3
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
    is_tip_hidden : whether the tip lies against another screw, where brightness does not fall
    """

    axis: ScrewAxis
    line: Line
    sections: Sections
    entry_along_mm: float
    tip_along_mm: float
    threshold: float
    core_hu: float
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
    metal begins to widen into the head (or ends); tip is where the brightness along the axis
    falls half way to what lies beyond.

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
    line, edge, core = guess, threshold, threshold
    for _ in range(_ROUNDS):
        sections = sections_along(voxels, affine, line, edge, beside)
        line = fitted_line(line, sections)
        core = _core(voxels, affine, line, sections)
        edge = max(DIMMEST_EDGE_HU, (core + _around(voxels, affine, line, sections)) / 2.0)
    sections = sections_along(voxels, affine, line, edge, beside)
    entry = _entry(sections)
    hidden = _hidden_from(line, sections, beside)
    tip = _tip(voxels, affine, line, sections) if hidden is None else hidden
    if tip - entry < max(SHORTEST_SHANK_MM, 4.0 * sections.shank_mm):
        raise no_shank()
    axis = ScrewAxis.through(line.at(entry), line.at(tip))
    return FittedShank(axis, line, sections, entry, tip, edge, core, hidden is not None)


def _core(voxels: Voxels, affine: ArrayLike, line: Line, sections: Sections) -> float:
    """Return the median brightness on the line where the shank is narrow."""
    depths = sections.along_mm[sections.narrow()]
    if len(depths) == 0:
        raise no_shank()
    return float(np.median(sample_points(voxels, affine, line.at(depths))))


def _around(voxels: Voxels, affine: ArrayLike, line: Line, sections: Sections) -> float:
    """Return the median brightness about the front of the shank, within bounds."""
    depths = sections.along_mm[sections.narrow()]
    turn = np.arange(12) * np.pi / 6.0
    ring = (sections.shank_mm + AROUND_MM) * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    points = line.at(depths[len(depths) // 3 :])[:, None] + ring @ line.across()
    around = float(np.median(sample_points(voxels, affine, points)))
    return min(max(around, LEAST_BONE_HU), MOST_BONE_HU)


def _entry(sections: Sections) -> float:
    """Return the depth at which, going backwards, the metal begins to widen, or ends."""
    ratio = sections.radii_mm / sections.shank_mm
    middle = (sections.run.start + sections.run.stop) // 2
    wide = np.flatnonzero(ratio[: middle + 1] >= WIDENED)
    number = int(wide[-1]) if len(wide) else -1
    if number < 0:
        return float(sections.along_mm[sections.run.start])
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


def _tip(voxels: Voxels, affine: ArrayLike, line: Line, sections: Sections) -> float:
    """Return the depth at which brightness has fallen half way from the metal to beyond it."""
    end = float(sections.along_mm[sections.run.stop - 1])
    inside = sample_points(voxels, affine, line.at(end - np.arange(2.0, 6.0, _FINE_MM)))
    depths = end + np.arange(-3.0, 6.0, _FINE_MM)
    values = sample_points(voxels, affine, line.at(depths)).astype(float)
    beyond = float(np.median(values[-20:]))
    half = (float(np.median(inside)) + max(beyond, -1000.0)) / 2.0
    below = np.flatnonzero(values < half)
    if len(below) == 0 or below[0] == 0:
        return end
    number = int(below[0])
    share = (values[number - 1] - half) / (values[number - 1] - values[number])
    return float(depths[number - 1] + share * _FINE_MM)
