"""Which screw of the log each found screw is."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import permutations
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.directions import Side
from registry.measure.proposals.records import UnmatchedScrew
from registry.measure.proposals.rungs import LevelOdds, rungs_of, size_cost
from registry.measure.proposals.spine_course import course_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from registry.measure.axes import FloatArray
    from registry.measure.proposals.finding import FoundScrew
    from registry.measure.proposals.records import LoggedScrew
    from registry.measure.proposals.rungs import Rung
    from registry.measure.proposals.spine_course import Course
    from registry.measure.sampling import Voxels

LEAST_CHANCE = 0.95
"""A level is given only where it is this likely: a wrong one is worse than none. Ours."""
_POSSIBLE = 0.02
_CLEARLY = 6.0
_CLEARLY_BY_SIZE = 3.0
_SIDES = {Side.LEFT: "left", Side.RIGHT: "right"}


@dataclass(frozen=True)
class Matching:
    """The log's screws and the found ones, put together.

    Attributes
    ----------
    matched : in the log's order
    unmatched : found and given to no screw of the log, cranial first
    missing : in the log and given no found screw, in the log's order
    notes : what is uncertain, one clause each
    """

    matched: tuple[tuple[LoggedScrew, FoundScrew], ...]
    unmatched: tuple[UnmatchedScrew, ...] = ()
    missing: tuple[LoggedScrew, ...] = ()
    notes: tuple[str, ...] = ()


def match_screws(
    found: Sequence[FoundScrew], logged: Sequence[LoggedScrew], voxels: Voxels, affine: ArrayLike
) -> Matching:
    """Return which found screw is which of the log's.

    Sides come from the spine's own course; levels from the order and spacing of both sides'
    screws together, how many a level has, and their sizes. Where that does not make a level
    clearly the likeliest, its screws stay unmatched and a note says so.

    Parameters
    ----------
    found : from `find_screws`
    logged : every screw that the log has for this patient
    voxels : (slices, rows, columns), HU
    affine : (4, 4), (i, j, k) to LPS mm
    """
    if not found or not logged:
        course = course_of([each.axis for each in found], voxels, affine) if found else None
        return _Result(found, logged, course).done([])
    course = course_of([each.axis for each in found], voxels, affine)
    rungs = rungs_of(found, course, logged)
    odds = LevelOdds(found, rungs, logged)
    chances, evidence = odds.together()
    result = _Result(found, logged, course)
    notes = _exchanged(found, rungs, logged, evidence)
    for rung, row in zip(rungs, chances, strict=True):
        best = int(row.argmax())
        if row[best] >= LEAST_CHANCE:
            result.give(rung, odds.levels[best])
    notes += _undecided(odds.levels, chances)
    return result.done(notes)


def _exchanged(
    found: Sequence[FoundScrew],
    rungs: Sequence[Rung],
    logged: Sequence[LoggedScrew],
    evidence: float,
) -> list[str]:
    """Return a note where the log fits far better with its sides exchanged."""
    turned = [type(rung)(rung.along_mm, left=rung.right, right=rung.left) for rung in rungs]
    _, other = LevelOdds(found, turned, logged).together()
    if other - evidence < _CLEARLY:
        return []
    return ["the log fits the metal far better with left and right exchanged: check the sides"]


def _undecided(levels: Sequence[str], chances: FloatArray) -> list[str]:
    """Return a note on the rungs whose level could not be told, where there are any."""
    likely: set[int] = set()
    count = 0
    for row in chances:
        could = np.flatnonzero(row > _POSSIBLE)
        if row.max() < LEAST_CHANCE and len(could):
            count += 1
            likely |= {int(each) for each in could}
    if not count:
        return []
    codes = ", ".join(levels[each] for each in sorted(likely))
    which = "the screws of one vertebra" if count == 1 else f"the screws of {count} vertebrae"
    return [
        f"{which} could be of {codes} or of none in the log: order, spacing and sizes do not tell"
    ]


class _Result:
    """Pairs as they are given out."""

    def __init__(
        self, found: Sequence[FoundScrew], logged: Sequence[LoggedScrew], course: Course | None
    ) -> None:
        self._found, self._logged, self._course = found, logged, course
        self._pairs: dict[int, int] = {}
        self._notes: list[str] = []

    def give(self, rung: Rung, code: str) -> None:
        """Give a rung's screws to a level's of the log, side by side."""
        for side in Side:
            there = rung.on(side)
            wanted = [
                number
                for number, each in enumerate(self._logged)
                if each.level == code and each.side is side
            ]
            wanted.sort(key=lambda number: self._logged[number].number)
            self._give_side(there, wanted, f"{code} {_SIDES[side]}")

    def _give_side(self, there: Sequence[int], wanted: Sequence[int], place: str) -> None:
        if not there or not wanted:
            return
        count = min(len(there), len(wanted))
        ways = [
            list(zip(some, those, strict=True))
            for some in permutations(there, count)
            for those in ([wanted] if len(wanted) == count else permutations(wanted, count))
        ]
        costs = np.array([sum(self._cost(one, other) for one, other in way) for way in ways])
        best = int(costs.argmin())
        second = float(np.sort(costs)[1]) if len(costs) > 1 else np.inf
        if len(there) != len(wanted) and second - float(costs[best]) < _CLEARLY_BY_SIZE:
            self._notes.append(
                f"{place} has {len(there)} in the scan and {len(wanted)} in the log: which belong "
                "together cannot be told"
            )
            return
        if len(there) > 1 or len(wanted) > 1:
            self._notes.append(
                f"{place} has {len(wanted)} in the log: which is which was judged by size, else "
                "from cranial to caudal"
            )
        self._pairs |= {other: one for one, other in ways[best]}

    def _cost(self, one: int, other: int) -> float:
        return size_cost(self._found[one], self._logged[other])

    def done(self, notes: Sequence[str]) -> Matching:
        """Return what was given and what is left."""
        matched = [(self._logged[n], self._found[self._pairs[n]]) for n in sorted(self._pairs)]
        missing = [each for n, each in enumerate(self._logged) if n not in self._pairs]
        return Matching(
            tuple(matched), tuple(self._left()), tuple(missing), (*notes, *self._doubts())
        )

    def _doubts(self) -> list[str]:
        course = self._course
        if course is None:
            return self._notes
        doubts = [
            f"the {_SIDES[logged.side]} screw of {logged.level} lies near the spine's middle line: "
            "check its side"
            for n, logged in enumerate(self._logged)
            if n in self._pairs and course.is_doubtful(self._pairs[n])
        ]
        return self._notes + doubts

    def _left(self) -> list[UnmatchedScrew]:
        course = self._course
        if course is None:
            return []
        given = set(self._pairs.values())
        left = sorted(set(range(len(self._found))) - given, key=lambda n: course.along_mm[n])
        return [
            UnmatchedScrew(self._found[n].axis, self._found[n].diameter_mm, self._words(n, course))
            for n in left
        ]

    def _words(self, number: int, course: Course) -> str:
        """Return where a screw lies among the matched ones, one clause."""
        side, place = course.sides[number], float(course.along_mm[number])
        known = sorted(
            (float(course.along_mm[found]), self._logged[logged].level)
            for logged, found in self._pairs.items()
            if self._logged[logged].side is side
        )
        above = [code for along, code in known if along < place]
        below = [code for along, code in known if along >= place]
        start = f"on the {_SIDES[side]}"
        if above and below and above[-1] == below[0]:
            return f"{start} beside the screws of {below[0]}"
        if above and below:
            return f"{start} between the screws of {above[-1]} and {below[0]}"
        if below:
            return f"{start} cranial of the screw of {below[0]}"
        if above:
            return f"{start} caudal of the screw of {above[-1]}"
        count = Counter(course.sides)[side]
        rank = sum(
            1
            for other, where in zip(course.sides, course.along_mm, strict=True)
            if other is side and where <= place
        )
        return f"{start}, number {rank} of {count} from cranial"
