"""What the audit counts for a screw, worked out from its readings on one scan."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from math import atan2, cos, degrees, radians, sin
from typing import TYPE_CHECKING

from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.millimetres import to_tenths
from registry.domain.readings import ReadingFacts, ReadingRole
from registry.domain.scales import DEFAULT_SCALE, grade, greatest_extent

if TYPE_CHECKING:
    from collections.abc import Sequence

RULE_VERSION = "1"
"""Changes whenever the same readings could give another consensus."""

_LONE_WALL_LIMIT_MM = Decimal(2)
_BEARING_TOLERANCE_DEG = 45
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
    """

    scale: str = DEFAULT_SCALE
    tolerance_mm: Decimal = Decimal(1)
    headline_mm: Decimal = Decimal(2)


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
    rule_version : of the rule that worked it out
    """

    state: ConsensusState
    is_provisional: bool
    is_assessable: bool
    extents_mm: dict[Direction, Decimal | None]
    bearing_deg: Decimal | None
    reading_ids: tuple[int, ...]
    rule_version: str = RULE_VERSION


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
    readings : current ones only, at most one a role
    level : level code, for the grade
    second_is_owed : a second reading was asked for
    rule : the unit's

    Notes
    -----
    An adjudication decides. Two readings that agree are averaged wall by wall. Otherwise the
    first counts, provisional while a second reading or an adjudication is owed.
    """
    by_role = {reading.role: reading for reading in readings}
    decided = by_role.get(ReadingRole.ADJUDICATION)
    if decided:
        return _taken(decided, ConsensusState.ADJUDICATED, is_provisional=False)
    first, second = by_role.get(ReadingRole.FIRST), by_role.get(ReadingRole.SECOND)
    if first and second:
        if not agree(first, second, level=level, rule=rule):
            return _taken(first, ConsensusState.AWAITING_ADJUDICATION, is_provisional=True)
        return _averaged(first, second)
    only = first or second
    if only is None:
        return None
    if second_is_owed and only is first:
        return _taken(only, ConsensusState.AWAITING_SECOND, is_provisional=True)
    return _taken(only, ConsensusState.SINGLE, is_provisional=False)


def agree(one: ReadingFacts, other: ReadingFacts, *, level: str, rule: AgreementRule) -> bool:
    """Return whether two readings agree under the unit's rule."""
    if one.is_assessable != other.is_assessable:
        return False
    if not one.is_assessable:
        return True
    return (
        _same_size(one, other, level, rule)
        and _same_wall(one, other)
        and not any(_found_by_one_only(one, other))
    )


def _same_size(one: ReadingFacts, other: ReadingFacts, level: str, rule: AgreementRule) -> bool:
    grades = [grade(reading.extents_mm, level, rule.scale) for reading in (one, other)]
    if grades[0] is not None and grades[0] == grades[1]:
        return True
    a, b = greatest_extent(one.extents_mm), greatest_extent(other.extents_mm)
    if a is None or b is None:
        return a is b
    same_side = (a >= rule.headline_mm) == (b >= rule.headline_mm)
    return same_side and abs(a - b) <= rule.tolerance_mm


def _same_wall(one: ReadingFacts, other: ReadingFacts) -> bool:
    walls = one.greatest_wall(), other.greatest_wall()
    if None in walls or walls[0] == walls[1]:
        return True
    if one.bearing_deg is None or other.bearing_deg is None:
        return False
    turn = abs(float(one.bearing_deg - other.bearing_deg)) % (2 * _HALF_TURN_DEG)
    return min(turn, 2 * _HALF_TURN_DEG - turn) <= _BEARING_TOLERANCE_DEG


def _found_by_one_only(one: ReadingFacts, other: ReadingFacts) -> list[Direction]:
    """Pedicle walls in which one reading found 2 mm or more and the other nothing."""
    lone = []
    for wall in PEDICLE_WALLS:
        pair = [reading.extents_mm.get(wall) or Decimal(0) for reading in (one, other)]
        if max(pair) >= _LONE_WALL_LIMIT_MM and min(pair) == 0:
            lone.append(wall)
    return lone


def _taken(reading: ReadingFacts, state: ConsensusState, *, is_provisional: bool) -> Consensus:
    return Consensus(
        state=state,
        is_provisional=is_provisional,
        is_assessable=reading.is_assessable,
        extents_mm={wall: reading.extents_mm.get(wall) for wall in Direction},
        bearing_deg=reading.bearing_deg,
        reading_ids=(reading.reading_id,),
    )


def _averaged(first: ReadingFacts, second: ReadingFacts) -> Consensus:
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
