"""Screws grouped into rungs, one a vertebra, and how likely each rung is each level of the log."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.directions import Side
from registry.domain.levels import Region, level
from registry.measure.proposals.pitches import closest_mm, usual_distance_mm

if TYPE_CHECKING:
    from collections.abc import Sequence

    from registry.measure.axes import FloatArray
    from registry.measure.proposals.finding import FoundScrew
    from registry.measure.proposals.records import LoggedScrew
    from registry.measure.proposals.spine_course import Course

# Costs are minus logarithms of odds; all ours, no source.
_ODD_ONE = 4.5
_PITCH_SD_MM = 4.5
_PITCH_SD_SHARE = 0.09
_SCALES = np.linspace(0.78, 1.22, 12)
_SCALE_SD = 0.09
_LENGTH_SD_MM = 4.0
_LEAST_DIAMETER_SD_MM = 0.4
_SIZE_CAP = 4.0
_PELVIC = 6.0
_PELVIC_LENGTH_MM = 58.0
_PELVIC_LATERAL = 0.3
_OF_THE_WAY = 0.42
_REACH_MM = (6.5, 15.0)
_SAME_PEDICLE_MM = 9.0
_JOINED_WITHIN = 0.6
"""Of the usual distance of two vertebrae."""


@dataclass(frozen=True)
class Rung:
    """The screws of one vertebra: numbers into the found ones, cranial first on each side."""

    along_mm: float
    left: tuple[int, ...]
    right: tuple[int, ...]

    def on(self, side: Side) -> tuple[int, ...]:
        """Return the screws of one side."""
        return self.left if side is Side.LEFT else self.right


def is_pelvic(screw: FoundScrew, side: Side) -> bool:
    """Return whether a screw is long and points aside, as one into the ilium does."""
    outwards = float(screw.axis.direction[0]) * (1.0 if side is Side.LEFT else -1.0)
    return screw.axis.length_mm >= _PELVIC_LENGTH_MM and outwards > _PELVIC_LATERAL


def rungs_of(
    found: Sequence[FoundScrew], course: Course, logged: Sequence[LoggedScrew]
) -> tuple[Rung, ...]:
    """Return the screws in rungs, one a vertebra, cranial first.

    Screws are of one vertebra where they stand nearer along the spine than a share of the way to
    the next one on their own side, or of the log's closest levels where there is no next.
    """
    kinds = [is_pelvic(screw, side) for screw, side in zip(found, course.sides, strict=True)]
    reach = _reaches(course, closest_mm([screw.level for screw in logged]))
    groups: list[list[int]] = []
    for number in np.argsort(course.along_mm, kind="stable"):
        place = course.along_mm[number]
        for group in reversed(groups):
            middle = float(np.mean([course.along_mm[other] for other in group]))
            within = min(reach[number], *(reach[other] for other in group))
            if kinds[group[0]] == kinds[number] and place - middle < within:
                group.append(int(number))
                break
        else:
            groups.append([int(number)])
    rungs = [
        Rung(
            float(np.mean([course.along_mm[number] for number in group])),
            tuple(number for number in group if course.sides[number] is Side.LEFT),
            tuple(number for number in group if course.sides[number] is Side.RIGHT),
        )
        for group in groups
    ]
    ordered = sorted(rungs, key=lambda rung: rung.along_mm)
    usual = closest_mm([screw.level for screw in logged])
    return tuple(_joined(ordered, len({screw.level for screw in logged}), _JOINED_WITHIN * usual))


def _joined(rungs: list[Rung], most: int, within_mm: float) -> list[Rung]:
    """Return rungs with the two sides of a tilted vertebra put together.

    Where there are more rungs than the log has levels, neighbours of opposite sides are joined,
    the closest first, as long as they stand much closer than two vertebrae do.
    """
    while len(rungs) > most:
        gaps = {
            number: below.along_mm - above.along_mm
            for number, (above, below) in enumerate(pairwise(rungs))
            if not (above.left and below.left) and not (above.right and below.right)
        }
        closest = min(gaps, key=lambda number: gaps[number], default=None)
        if closest is None or gaps[closest] > within_mm:
            break
        above, below = rungs[closest : closest + 2]
        middle = (above.along_mm + below.along_mm) / 2.0
        joined = Rung(middle, above.left + below.left, above.right + below.right)
        rungs = [*rungs[:closest], joined, *rungs[closest + 2 :]]
    return rungs


def _reaches(course: Course, usual_mm: float) -> list[float]:
    """Return how far along the spine from each screw its vertebra's others may stand, mm."""
    reaches = []
    for place, side in zip(course.along_mm, course.sides, strict=True):
        gaps = [
            abs(float(other - place))
            for other, its in zip(course.along_mm, course.sides, strict=True)
            if its is side and abs(other - place) > _SAME_PEDICLE_MM
        ]
        nearest = min([*gaps, 1.2 * usual_mm])
        reaches.append(float(np.clip(_OF_THE_WAY * nearest, *_REACH_MM)))
    return reaches


class LevelOdds:
    """How likely each rung is each of the log's levels, by order, spacing, number and size."""

    def __init__(
        self, found: Sequence[FoundScrew], rungs: Sequence[Rung], logged: Sequence[LoggedScrew]
    ) -> None:
        self._found, self._rungs, self._logged = found, rungs, logged
        self.levels = sorted({screw.level for screw in logged}, key=lambda code: level(code).order)
        counted = Counter(screw.level for screw in logged)
        self._own = _ODD_ONE * np.array([len(rung.left) + len(rung.right) for rung in rungs])
        self._gap = _ODD_ONE * np.array([counted[code] for code in self.levels])
        self._pitches = np.array(
            [
                [
                    usual_distance_mm(one, other, self.levels) if a < b else 0.0
                    for b, other in enumerate(self.levels)
                ]
                for a, one in enumerate(self.levels)
            ]
        )

    def together(self) -> tuple[FloatArray, float]:
        """Return the chance of each rung (row) being each level (column), and the evidence.

        A rung's row sums to at most 1; what is missing is the chance of its being in the log not
        at all. The evidence, a logarithm, tells two logs apart.
        """
        parts = [self._at_scale(float(scale)) for scale in _SCALES]
        evidence = np.array([each[1] for each in parts])
        weights = np.exp(evidence - evidence.max())
        chances: FloatArray = sum(
            (weight * each[0] for weight, each in zip(weights, parts, strict=True)),
            start=np.zeros_like(parts[0][0]),
        ) / float(weights.sum())
        return chances, float(evidence.max() + np.log(weights.sum() / len(weights)))

    def _at_scale(self, scale: float) -> tuple[FloatArray, float]:
        """Return chances and evidence for a patient this much larger than the usual.

        Sums over all ways to give rungs to levels in order, forwards and backwards.
        """
        fits = self._fits()
        count, width = fits.shape
        no_level = np.concatenate([[0.0], np.cumsum(self._own)])
        no_rung = np.concatenate([[0.0], np.cumsum(self._gap)])
        steps = self._steps(scale)
        # What lies between two rungs or levels of a way is not in the log, or was not found.
        before = -no_level[:-1, None] - no_rung[None, :-1]
        after = (no_level[1:, None] - no_level[-1]) + (no_rung[None, 1:] - no_rung[-1])
        ahead = np.full((count, width), -np.inf)
        for i, j in np.ndindex(count, width):
            skipped = before[i, j] - before[:i, :j] + self._own[:i, None] + self._gap[None, :j]
            ways = ahead[:i, :j] + steps[:i, i, :j, j] + skipped
            ahead[i, j] = fits[i, j] + np.logaddexp.reduce(np.append(ways, before[i, j]))
        behind = np.full((count, width), -np.inf)
        for i, j in reversed(list(np.ndindex(count, width))):
            p, q = i + 1, j + 1
            skipped = before[p:, q:] - before[i, j] + self._own[i] + self._gap[j]
            ways = behind[p:, q:] + fits[p:, q:] + steps[i, p:, j, q:] + skipped
            behind[i, j] = np.logaddexp.reduce(np.append(ways, after[i, j]))
        total = float(np.logaddexp.reduce(np.append(ahead + after, -no_level[-1] - no_rung[-1])))
        prior = -0.5 * ((scale - 1.0) / _SCALE_SD) ** 2
        return np.exp(ahead + behind - total), total + prior

    def _steps(self, scale: float) -> FloatArray:
        """Return the fit of each distance, (from rung, to rung, from level, to level)."""
        places = np.array([rung.along_mm for rung in self._rungs])
        apart = (places - places[:, None])[:, :, None, None]
        usual = scale * self._pitches
        sd = np.hypot(_PITCH_SD_MM, _PITCH_SD_SHARE * usual)
        fit: FloatArray = -0.5 * ((apart - usual) / sd) ** 2
        return fit

    def _fits(self) -> FloatArray:
        return np.array([[self._fit(rung, code) for code in self.levels] for rung in self._rungs])

    def _fit(self, rung: Rung, code: str) -> float:
        """Return how well a rung's screws fit a level's, 0 at best."""
        cost = 0.0
        for side in Side:
            there = rung.on(side)
            wanted = [each for each in self._logged if each.level == code and each.side is side]
            cost += _ODD_ONE * abs(len(there) - len(wanted))
            cost += sum(
                size_cost(self._found[number], each) - PLAIN_SIZE
                for number, each in zip(there, wanted, strict=False)
            )
            in_pelvis = level(code).region is Region.PELVIC
            cost += _PELVIC * sum(is_pelvic(self._found[n], side) != in_pelvis for n in there)
        return -cost


PLAIN_SIZE = 0.7
"""The size cost of a screw that is the logged one, on average; so that size neither favours nor
hinders being in the log."""


def size_cost(found: FoundScrew, logged: LoggedScrew) -> float:
    """Return how badly a screw's size fits the log's, 0 at best."""
    cost = 0.0
    if logged.length_mm is not None:
        cost += 0.5 * ((found.axis.length_mm - logged.length_mm) / _LENGTH_SD_MM) ** 2
    if logged.diameter_mm is not None:
        sd = max(found.diameter_sd_mm, _LEAST_DIAMETER_SD_MM)
        cost += 0.5 * ((found.diameter_mm - logged.diameter_mm) / sd) ** 2
    return min(cost, _SIZE_CAP)
