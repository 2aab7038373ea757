"""Every pedicle screw's shank in a scan, found from its metal alone."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.problems import BadInputError
from registry.measure.proposals.candidates import candidates
from registry.measure.proposals.diameters import estimated_diameter
from registry.measure.proposals.flanks import metal_ends
from registry.measure.proposals.judging import is_screw, stands_alone
from registry.measure.shank import distance_to
from registry.measure.shank_ends import fit_shank

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from registry.measure.axes import FloatArray, ScrewAxis
    from registry.measure.proposals.candidates import Candidate
    from registry.measure.proposals.flanks import MetalEnds
    from registry.measure.sampling import Voxels
    from registry.measure.shank import Line
    from registry.measure.shank_ends import FittedShank

_MOST_IN_VAIN = 60
"""After so many runs in a row that are no screw, what is left is rods, heads and streaks; ours."""
_ALIKE_DEG = 12.0
_ALIKE_MM = 2.5
_ALONG_DEG = 30.0
_HEAD_MM = 8.0
_BEHIND_MM = 18.0
"""So far behind its entry a screw's own head and what holds the rod reach; ours."""
_TOUCH_MM = 2.0


@dataclass(frozen=True)
class FoundScrew:
    """A screw that its metal shows.

    Attributes
    ----------
    axis : entry (where the shank leaves the head, or the metal's end) and tip
    metal_radius_mm : of the metal above half its brightness
    diameter_mm, diameter_sd_mm : what the catalogue would call it, with one standard deviation
    is_headed : whether the metal widens behind the entry
    is_tip_hidden : whether the tip lies against another screw's metal, and is less certain
    ends : where the metal seems to end, None where that is not seen
    """

    axis: ScrewAxis
    metal_radius_mm: float
    diameter_mm: float
    diameter_sd_mm: float
    is_headed: bool = True
    is_tip_hidden: bool = False
    ends: MetalEnds | None = None


def find_screws(voxels: Voxels, affine: ArrayLike) -> tuple[FoundScrew, ...]:
    """Return every screw's shank in a scan, cranial entries first.

    Straight runs of metal that point forwards are tried, the longest first; each is fitted and
    judged by its cross-sections and its two ends, and explains the metal about it, so that the
    next is looked for in what is left. Screws that touch are fitted again, each without the
    other's metal.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU, may be a read-only memory map
    affine : (4, 4), (i, j, k) to LPS mm
    """
    shanks = _without_strays(_separated(voxels, affine, _shanks(voxels, affine)))
    found = []
    for fitted in shanks:
        diameter, sd = estimated_diameter(fitted)
        found.append(
            FoundScrew(
                fitted.axis,
                fitted.sections.shank_mm,
                diameter,
                sd,
                fitted.is_headed,
                fitted.is_tip_hidden,
                metal_ends(voxels, affine, fitted),
            )
        )
    return tuple(sorted(found, key=lambda screw: -screw.axis.entry_mm[2]))


def _shanks(voxels: Voxels, affine: ArrayLike) -> list[FittedShank]:
    found: list[FittedShank] = []
    others: list[FittedShank] = []
    tried: list[Line] = []
    in_vain = 0
    for candidate in candidates(voxels, affine):
        if in_vain >= _MOST_IN_VAIN:
            break
        if _is_explained(candidate, found, others) or _was_tried(candidate, tried):
            continue
        tried.append(candidate.line)
        in_vain += 1
        try:
            fitted = fit_shank(voxels, affine, candidate.line, candidate.threshold)
        except BadInputError:
            continue
        if _is_known(fitted.axis, found):
            continue
        if is_screw(voxels, affine, fitted):
            found.append(fitted)
            in_vain = 0
        else:
            others.append(fitted)
    return found


def _is_explained(
    candidate: Candidate, found: Sequence[FittedShank], others: Sequence[FittedShank]
) -> bool:
    """Return whether most of a run lies in a screw that was found, its head included.

    Or in straight metal that is no screw, a rod, and runs much as it does.
    """
    points = candidate.line.at(np.linspace(-0.4, 0.4, 9) * candidate.length_mm)
    inside = [_is_within(points, each) for each in found]
    inside += [
        distance_to(points, each.axis) < each.sections.shank_mm + 1.5
        for each in others
        if each.line.direction @ candidate.line.direction > np.cos(np.radians(_ALONG_DEG))
    ]
    return any(float(each.mean()) > 0.5 for each in inside)  # noqa: PLR2004 - most


def _is_within(points: FloatArray, fitted: FittedShank) -> NDArray[np.bool_]:
    axis = fitted.axis
    inside = distance_to(points, axis) < fitted.sections.shank_mm + 1.5
    if fitted.is_headed:
        behind = (points - np.asarray(axis.entry_mm)) @ -axis.direction
        aside = points - np.asarray(axis.entry_mm) + behind[:, None] * axis.direction
        inside |= (
            (behind > 0.0) & (behind < _BEHIND_MM) & (np.linalg.norm(aside, axis=1) < _HEAD_MM)
        )
    return inside


def _was_tried(candidate: Candidate, tried: Sequence[Line]) -> bool:
    origin, direction = candidate.line.origin, candidate.line.direction
    for line in tried:
        if line.direction @ direction < np.cos(np.radians(_ALIKE_DEG)):
            continue
        offset = origin - line.origin
        along = float(offset @ line.direction)
        aside = float(np.linalg.norm(offset - along * line.direction))
        if aside < _ALIKE_MM and abs(along) < 0.4 * candidate.length_mm:
            return True
    return False


def _is_known(axis: ScrewAxis, found: Sequence[FittedShank]) -> bool:
    """Return whether an axis is one that was found already."""
    points = np.stack([axis.at(share * axis.length_mm) for share in (0.3, 0.5, 0.7)])
    return any(
        bool((distance_to(points, each.axis) < 0.8 * each.sections.shank_mm).all())
        for each in found
    )


def _separated(voxels: Voxels, affine: ArrayLike, shanks: list[FittedShank]) -> list[FittedShank]:
    """Return the shanks, those that touch another fitted again without its metal."""
    for _ in range(2):
        neighbours: dict[int, list[int]] = {}
        for one, other in itertools.permutations(range(len(shanks)), 2):
            if _touch(shanks[one], shanks[other]):
                neighbours.setdefault(one, []).append(other)
        if not neighbours:
            break
        before = list(shanks)
        for one, others in neighbours.items():
            beside = [before[other].shank for other in others]
            fitted = before[one]
            try:
                shanks[one] = fit_shank(voxels, affine, fitted.line, fitted.threshold, beside)
            except BadInputError:
                continue
    return shanks


def _touch(one: FittedShank, other: FittedShank) -> bool:
    depths = np.arange(0.0, one.axis.length_mm + 3.0, 1.0)
    points = np.stack([one.axis.at(float(depth)) for depth in depths])
    gap = distance_to(points, other.axis) - one.sections.shank_mm - other.sections.shank_mm
    return bool(gap.min() < _TOUCH_MM)


def _without_strays(shanks: list[FittedShank]) -> list[FittedShank]:
    """Return the shanks without headless metal far from every screw with a head."""
    return [each for each in shanks if not stands_alone(each, shanks)]
