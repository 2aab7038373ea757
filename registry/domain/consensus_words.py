"""Why a screw's consensus is what it is, in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.consensus import BEARING_TOLERANCE_DEG, Comparison, compare
from registry.domain.directions import Direction
from registry.domain.readings import CountedReading, ReadingFacts, ReadingRole
from registry.domain.scales import SCALES

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from decimal import Decimal

    from registry.domain.consensus import AgreementRule

_NOBODY_COULD = "neither reader could read the screw"
_COUNTED = {
    CountedReading.BLIND: "",
    CountedReading.AFTER_PROPOSAL: "; a reading changed after the proposal was shown counts",
}
_PROVISIONAL = "until then the first counts, marked provisional"


def consensus_words(
    readings: Sequence[ReadingFacts],
    *,
    level: str,
    second_is_owed: bool,
    rule: AgreementRule,
) -> list[str]:
    """Return sentences that say why the readings come to what `consensus` makes of them.

    Takes what `consensus` takes; no sentence without a reading.

    Examples
    --------
    >>> from decimal import Decimal
    >>> from registry.domain.consensus import AgreementRule
    >>> walls = dict.fromkeys(Direction, Decimal(0))
    >>> one, other = (
    ...     ReadingFacts(n, role, True, {**walls, Direction.MEDIAL: Decimal(mm)})
    ...     for n, role, mm in ((1, ReadingRole.FIRST, "1.2"), (2, ReadingRole.SECOND, "1.6"))
    ... )
    >>> consensus_words([one, other], level="S1", second_is_owed=False, rule=AgreementRule())
    ['Two readings agree: both grade B; averaged wall by wall.']
    """
    by_role = {reading.role: reading for reading in readings}
    first, second = by_role.get(ReadingRole.FIRST), by_role.get(ReadingRole.SECOND)
    is_decided = ReadingRole.ADJUDICATION in by_role
    if first and second:
        return _of_two(first, second, level, rule, is_decided=is_decided)
    if is_decided:
        other = "; it counts whatever the other reading says" if len(by_role) > 1 else ""
        return [f"An adjudication has been made{other}."]
    only = first or second
    return [] if only is None else [_of_one(only, is_awaiting=second_is_owed and only is first)]


def rule_words(rule: AgreementRule) -> str:
    """Return the settings that a consensus is worked out by, in words."""
    return (
        f"scale {SCALES[rule.scale].title}, two greatest extents at most "
        f"{_plain(rule.tolerance_mm)} mm apart on the same side of {_plain(rule.headline_mm)} mm"
        f"{_COUNTED[rule.counted]}"
    )


def _of_one(only: ReadingFacts, *, is_awaiting: bool) -> str:
    if is_awaiting:
        return f"A second reading is owed; {_PROVISIONAL}."
    if not only.is_assessable:
        return "One reading: its reader could not read the screw, and that is the answer."
    return "One reading: it counts as it stands."


def _of_two(
    first: ReadingFacts,
    second: ReadingFacts,
    level: str,
    rule: AgreementRule,
    *,
    is_decided: bool,
) -> list[str]:
    compared = compare(first, second, level=level, rule=rule)
    if compared.is_agreed and is_decided:
        return ["The two readings agree by now, but an adjudication had been made, and it stands."]
    if compared.is_agreed:
        return _agreed(compared, first, second, rule)
    follows = (
        "An adjudicator has decided: the adjudication counts."
        if is_decided
        else f"An adjudicator decides; {_PROVISIONAL}."
    )
    return [_not_agreed(compared, rule), follows]


def _agreed(
    compared: Comparison, first: ReadingFacts, second: ReadingFacts, rule: AgreementRule
) -> list[str]:
    if not any(compared.is_assessable):
        return [f"Two readings agree: {_NOBODY_COULD}."]
    parts = [_same_size(compared, rule)]
    if all(compared.walls) and not set(compared.walls[0]) & set(compared.walls[1]):
        parts.append(
            f"the greatest lie in different walls ({_walls(compared)}), but their bearings are "
            f"{compared.turn_deg:.0f} degrees apart, within {BEARING_TOLERANCE_DEG}"
        )
    return [
        f"Two readings agree: {'; '.join(parts)}; averaged wall by wall.",
        *_lone(first, second),
    ]


def _same_size(compared: Comparison, rule: AgreementRule) -> str:
    one, other = compared.grades
    if one is not None and one == other:
        return f"both grade {one}"
    if compared.apart_mm is None:
        return "neither measured a wall of the pedicle"
    return (
        f"{_grades(compared)}, but the greatest extents {_extents(compared)} differ by "
        f"{compared.apart_mm}, within the unit's {_plain(rule.tolerance_mm)} mm, on the same side "
        f"of {_plain(rule.headline_mm)} mm"
    )


def _lone(first: ReadingFacts, second: ReadingFacts) -> Iterator[str]:
    """Say what became of walls that one found, or measured, alone."""
    averaged, taken = [], []
    for wall in Direction:
        a, b = first.extents_mm.get(wall), second.extents_mm.get(wall)
        if a is None and b is None:
            continue
        if a is None or b is None:
            taken.append(f"{_name(wall)} {a if b is None else b} mm")
        elif max(a, b) > 0 == min(a, b):
            averaged.append(f"{_name(wall)} {max(a, b)} mm")
    if averaged:
        yield f"Found by one alone, and averaged with the other's 0: {_joined(averaged)}."
    if taken:
        yield f"Measured by one alone, and taken as it is: {_joined(taken)}."


def _not_agreed(compared: Comparison, rule: AgreementRule) -> str:
    return f"The two readings do not agree: {'; '.join(_differences(compared, rule))}."


def _differences(compared: Comparison, rule: AgreementRule) -> Iterator[str]:
    if not all(compared.is_assessable):
        yield "one reader could read the screw, the other could not"
        return
    if not compared.is_same_size:
        yield _other_size(compared, rule)
    if not compared.is_same_wall:
        turn = compared.turn_deg
        bearings = (
            "their bearings are not both known"
            if turn is None
            else f"their bearings are {turn:.0f} degrees apart, more than {BEARING_TOLERANCE_DEG}"
        )
        yield f"the greatest lie in different walls ({_walls(compared)}) and {bearings}"
    large = [f"{_name(wall)} {mm} mm" for wall, mm in compared.large_lone_walls.items()]
    if large:
        yield f"found by one alone, 2 mm or more: {_joined(large)}"


def _other_size(compared: Comparison, rule: AgreementRule) -> str:
    if compared.apart_mm is None:
        return "one of them measured no wall of the pedicle"
    said = f"{_grades(compared)}, and the greatest extents {_extents(compared)}"
    if not compared.is_same_side:
        return f"{said} lie on either side of {_plain(rule.headline_mm)} mm"
    tolerance = _plain(rule.tolerance_mm)
    return f"{said} differ by {compared.apart_mm}, more than the unit's {tolerance} mm"


def _grades(compared: Comparison) -> str:
    one, other = (grade or "none" for grade in compared.grades)
    return "no grade" if one == other == "none" else f"grades {one} and {other}"


def _extents(compared: Comparison) -> str:
    return " and ".join(str(mm) for mm in compared.greatest_mm) + " mm"


def _walls(compared: Comparison) -> str:
    return ", ".join(" with ".join(_name(wall) for wall in walls) for walls in compared.walls)


def _name(wall: Direction) -> str:
    return "lateral body wall" if wall is Direction.BODY_LATERAL else wall.value


def _joined(parts: Iterable[str]) -> str:
    return ", ".join(parts)


def _plain(value: Decimal) -> str:
    return f"{value.normalize():f}"
