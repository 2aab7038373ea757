"""A question about rates from the words of a command line or a page's address."""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING, TypeVar

from registry.domain.directions import Direction
from registry.domain.problems import BadInputError, Fault
from registry.domain.words import parse_word
from reports.frame import Intended, Threshold
from reports.tables.rates import Question
from reports.tables.splits import IntervalName, Split

if TYPE_CHECKING:
    from collections.abc import Mapping

Word = TypeVar("Word", bound=StrEnum)

NAMES = ("by", "from", "to", "threshold", "direction", "intended", "interval", "minimum")
"""What a question is made of, as a page's address and a command line spell it."""

LARGEST_MINIMUM = 1000
_DIGITS = 6


def question_from(said: Mapping[str, str], *, minimum: int) -> Question:
    """Return the question.

    Parameters
    ----------
    said : texts under `NAMES`; empty ones count as not said
    minimum : the unit's, where none was said

    Raises
    ------
    BadInputError
        every word that is not one
    """
    faults: list[Fault] = []
    given = {name: text.strip() for name, text in said.items() if text.strip()}
    by = [_word(Split, part, "by", faults) for part in given.get("by", "").split(",") if part]
    threshold = _word(Threshold, given.get("threshold", "2"), "threshold", faults)
    intended = _word(Intended, given.get("intended", "include"), "intended", faults)
    interval = _word(IntervalName, given.get("interval", "clustered"), "interval", faults)
    direction = given.get("direction")
    wall = None if direction is None else _word(Direction, direction, "direction", faults)
    start, end = (_day(given.get(name), name, faults) for name in ("from", "to"))
    asked_minimum = _whole(given.get("minimum"), minimum, faults)
    try:
        question = Question(
            by=tuple(split for split in by if split is not None),
            start=start,
            end=end,
            threshold=threshold or Threshold.TWO_MM,
            direction=wall,
            intended=intended or Intended.INCLUDE,
            interval=interval or IntervalName.CLUSTERED,
            minimum=asked_minimum,
        )
    except BadInputError as problem:
        raise BadInputError(*faults, *problem.faults) from None
    if faults:
        raise BadInputError(*faults)
    return question


def _word(kind: type[Word], text: str, name: str, faults: list[Fault]) -> Word | None:
    try:
        return parse_word(kind, text)
    except ValueError as error:
        faults.append(_unusable(text, name, str(error)))
        return None


def _day(text: str | None, name: str, faults: list[Fault]) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        faults.append(_unusable(text, name, "write a day as 2026-03-31"))
        return None


def _whole(text: str | None, default: int, faults: list[Fault]) -> int:
    if text is None:
        return default
    number = int(text) if text.isascii() and text.isdigit() and len(text) < _DIGITS else -1
    if 0 <= number <= LARGEST_MINIMUM:
        return number
    faults.append(_unusable(text, "minimum", f"give a whole number from 0 to {LARGEST_MINIMUM}"))
    return default


def _unusable(text: str, name: str, mend: str) -> Fault:
    return Fault(f"{text[:40]!r} cannot be used", name, mend)
