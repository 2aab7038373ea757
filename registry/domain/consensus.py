"""What the audit counts for a screw, worked out from its readings on one scan."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from math import atan2, cos, degrees, radians, sin
from typing import TYPE_CHECKING

from registry.domain.directions import Direction
from registry.domain.millimetres import to_tenths
from registry.domain.readings import CountedReading, ReadingFacts, ReadingRole
from registry.domain.scales import DEFAULT_SCALE, grade, greatest_extent

if TYPE_CHECKING:
    from collections.abc import Sequence

RULE_VERSION = "2"
"""Changes whenever the same readings could give another consensus under the same settings.

1: of two walls with the same greatest extent only the first was compared, and an extent of the
body's walls that one reader alone found was averaged whatever its size.
"""

LONE_WALL_LIMIT_MM = Decimal(2)
BEARING_TOLERANCE_DEG = 45
_HALF_TURN_DEG = 180


class ConsensusState(StrEnum):
    """How a consensus came about."""

    SINGLE = "one reading"
    AGREED = "two readings agree"
    ADJUDICATED = "adjudicated"
    AWAITING_SECOND = "awaiting the second reading"
    AWAITING_ADJUDICATION = "awaiting adjudication"


@dataclass(frozen=True)
class AgreementRule:
    """The unit's rule for two readings.

    Attributes
    ----------
    scale : name of the unit's scale
    tolerance_mm : two greatest extents may differ by this much
    headline_mm : on the same side of this cut-off
    counted : of a reading and its change after the proposal was shown, which one is taken
    """

    scale: str = DEFAULT_SCALE
    tolerance_mm: Decimal = Decimal(1)
    headline_mm: Decimal = Decimal(2)
    counted: CountedReading = CountedReading.BLIND

    @property
    def version(self) -> str:
        """Return what names this rule with its settings: kept with what was worked out by it."""
        said = f"{self.scale}|{self.tolerance_mm.normalize():f}|{self.headline_mm.normalize():f}"
        if self.counted is not CountedReading.BLIND:
            # Blind readings are what counted before there was a choice: nothing is settled anew.
            said += f"|{self.counted}"
        return f"{RULE_VERSION}-{hashlib.sha256(said.encode()).hexdigest()[:7]}"


@dataclass(frozen=True)
class Consensus:
    """What counts, and why.

    Attributes
    ----------
    state : how it came about
    is_provisional : a reading is still owed, the first counts until then
    is_assessable : False where the answer is that the screw cannot be read
    extents_mm : every direction; None where not measured
    bearing_deg : of the greatest pedicle extent, or None
    reading_ids : the readings that were used
    rule_version : of the rule and settings that worked it out
    """

    state: ConsensusState
    is_provisional: bool
    is_assessable: bool
    extents_mm: dict[Direction, Decimal | None]
    bearing_deg: Decimal | None
    reading_ids: tuple[int, ...]
    rule_version: str


@dataclass(frozen=True)
class Comparison:
    """How two readings stand to each other under the unit's rule.

    Attributes
    ----------
    is_assessable : of each reading
    grades : of each, None without one
    greatest_mm : greatest pedicle extent of each, None where no pedicle wall was measured
    is_same_side : both greatest extents lie on the same side of the headline cut-off
    apart_mm : by how much they differ, None where one is missing
    is_same_size : the grades or the extents agree
    walls : of each greatest extent, several where they tie, none without a breach
    turn_deg : between the two bearings, None where one is not known
    is_same_wall : where both found a breach, it is the same one
    lone_walls : every direction in which one found an extent and the other none or did not look
    """

    is_assessable: tuple[bool, bool]
    grades: tuple[str | None, str | None]
    greatest_mm: tuple[Decimal | None, Decimal | None]
    is_same_side: bool
    apart_mm: Decimal | None
    is_same_size: bool
    walls: tuple[tuple[Direction, ...], tuple[Direction, ...]]
    turn_deg: float | None
    is_same_wall: bool
    lone_walls: dict[Direction, Decimal]

    @property
    def large_lone_walls(self) -> dict[Direction, Decimal]:
        """The lone walls from 2 mm on, which only an adjudicator can decide."""
        return {w: mm for w, mm in self.lone_walls.items() if mm >= LONE_WALL_LIMIT_MM}

    @property
    def is_agreed(self) -> bool:
        """Whether the two agree."""
        if not all(self.is_assessable):
            return not any(self.is_assessable)
        return self.is_same_size and self.is_same_wall and not self.large_lone_walls


def consensus(
    readings: Sequence[ReadingFacts],
    *,
    level: str,
    second_is_owed: bool,
    rule: AgreementRule,
) -> Consensus | None:
    """Return what the current readings of one screw on one scan come to; None without a reading.

    Parameters
    ----------
    readings : those that count (`counted_readings`), at most one a role
    level : level code, for the grade
    second_is_owed : a second reading was asked for and still is
    rule : the unit's

    Notes
    -----
    An adjudication, once made, decides. Two readings that agree are averaged wall by wall.
    Otherwise the first counts, provisional while a second reading or an adjudication is owed.
    """
    by_role = {reading.role: reading for reading in readings}
    first, second = by_role.get(ReadingRole.FIRST), by_role.get(ReadingRole.SECOND)
    decided = by_role.get(ReadingRole.ADJUDICATION)
    if decided:
        return _taken(decided, ConsensusState.ADJUDICATED, rule)
    if first and second:
        if agree(first, second, level=level, rule=rule):
            return _averaged(first, second, rule)
        return _taken(first, ConsensusState.AWAITING_ADJUDICATION, rule)
    only = first or second
    if only is None:
        return None
    if second_is_owed and only is first:
        return _taken(only, ConsensusState.AWAITING_SECOND, rule)
    return _taken(only, ConsensusState.SINGLE, rule)


def compare(
    one: ReadingFacts, other: ReadingFacts, *, level: str, rule: AgreementRule
) -> Comparison:
    """Return how two readings of a screw stand to each other under the unit's rule.

    Parameters
    ----------
    one, other : readings of the same screw on the same scan
    level : level code, for the grades
    rule : the unit's
    """
    pair = (one, other)
    a, b = greatest_extent(one.extents_mm), greatest_extent(other.extents_mm)
    grades = tuple(grade(reading.extents_mm, level, rule.scale) for reading in pair)
    apart = None if a is None or b is None else abs(a - b)
    is_same_side = a is not None and b is not None and _same_side(a, b, rule)
    is_same_grade = grades[0] is not None and grades[0] == grades[1]
    is_within = is_same_side and apart is not None and apart <= rule.tolerance_mm
    walls = one.greatest_walls(), other.greatest_walls()
    turn = _turn(one.bearing_deg, other.bearing_deg)
    return Comparison(
        is_assessable=(one.is_assessable, other.is_assessable),
        grades=(grades[0], grades[1]),
        greatest_mm=(a, b),
        is_same_side=is_same_side,
        apart_mm=apart,
        is_same_size=is_same_grade or is_within or (a is None and b is None),
        walls=walls,
        turn_deg=turn,
        is_same_wall=not all(walls)
        or bool(set(walls[0]) & set(walls[1]))
        or (turn is not None and turn <= BEARING_TOLERANCE_DEG),
        lone_walls=_lone_walls(one, other),
    )


def agree(one: ReadingFacts, other: ReadingFacts, *, level: str, rule: AgreementRule) -> bool:
    """Return whether two readings agree under the unit's rule."""
    return compare(one, other, level=level, rule=rule).is_agreed


def _same_side(a: Decimal, b: Decimal, rule: AgreementRule) -> bool:
    return (a >= rule.headline_mm) == (b >= rule.headline_mm)


def _turn(a: Decimal | None, b: Decimal | None) -> float | None:
    if a is None or b is None:
        return None
    turn = abs(float(a - b)) % (2 * _HALF_TURN_DEG)
    return min(turn, 2 * _HALF_TURN_DEG - turn)


def _lone_walls(one: ReadingFacts, other: ReadingFacts) -> dict[Direction, Decimal]:
    lone = {}
    for wall in Direction:
        pair = [reading.extents_mm.get(wall) or Decimal(0) for reading in (one, other)]
        if max(pair) > 0 == min(pair):
            lone[wall] = max(pair)
    return lone


def _taken(reading: ReadingFacts, state: ConsensusState, rule: AgreementRule) -> Consensus:
    awaiting = {ConsensusState.AWAITING_SECOND, ConsensusState.AWAITING_ADJUDICATION}
    return Consensus(
        state=state,
        is_provisional=state in awaiting,
        is_assessable=reading.is_assessable,
        extents_mm={wall: reading.extents_mm.get(wall) for wall in Direction},
        bearing_deg=reading.bearing_deg,
        reading_ids=(reading.reading_id,),
        rule_version=rule.version,
    )


def _averaged(first: ReadingFacts, second: ReadingFacts, rule: AgreementRule) -> Consensus:
    extents = {
        wall: _mean_extent(first.extents_mm.get(wall), second.extents_mm.get(wall))
        for wall in Direction
    }
    return Consensus(
        state=ConsensusState.AGREED,
        is_provisional=False,
        is_assessable=first.is_assessable,
        extents_mm=extents,
        bearing_deg=_mean_bearing(first.bearing_deg, second.bearing_deg),
        reading_ids=(first.reading_id, second.reading_id),
        rule_version=rule.version,
    )


def _mean_extent(a: Decimal | None, b: Decimal | None) -> Decimal | None:
    if a is None or b is None:
        return b if a is None else a
    return to_tenths((a + b) / 2)


def _mean_bearing(a: Decimal | None, b: Decimal | None) -> Decimal | None:
    if a is None or b is None:
        return b if a is None else a
    turns = [radians(float(value)) for value in (a, b)]
    mean = atan2(sum(map(sin, turns)), sum(map(cos, turns)))
    return to_tenths(Decimal(repr(degrees(mean) % (2 * _HALF_TURN_DEG)))) % (2 * _HALF_TURN_DEG)
