"""How the invented surgeons replied to their quarters: laid before them, and looked through."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from random import Random
from typing import TYPE_CHECKING

from .records import LAST_DAY

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from .records import InventedCase

_MONTHS = 3
_LAID_AFTER_DAYS = 95
"""From a quarter's first day: in the first week of the next."""

_FIRST_DAY, _LAST_DAY = 1, 12
_WORDS = (
    "",
    "",
    "",
    "Looked through, nothing to correct.",
    "All as I remember it.",
)


@dataclass(frozen=True)
class InventedAnswer:
    """A surgeon who says that they have looked."""

    surgeon: str
    at: datetime
    words: str


@dataclass(frozen=True)
class InventedRound:
    """A quarter that was laid before its surgeons, and what each answered."""

    period: str
    laid_at: datetime
    answers: tuple[InventedAnswer, ...]


def invent_rounds(seed: int, cases: Iterable[InventedCase]) -> tuple[InventedRound, ...]:
    """Return the round of every whole quarter, each answered by each of its surgeons."""
    rng = Random(f"{seed} replies")
    surgeons: dict[date, set[str]] = {}
    for case in (each for each in cases if each.operated_on <= LAST_DAY):
        surgeons.setdefault(_first_day(case.operated_on), set()).add(case.surgeon)
    return tuple(_round(rng, first, surgeons[first]) for first in sorted(surgeons))


def _first_day(day: date) -> date:
    return day.replace(month=day.month - (day.month - 1) % _MONTHS, day=1)


def _round(rng: Random, first: date, surgeons: set[str]) -> InventedRound:
    laid_at = datetime.combine(first + timedelta(days=_LAID_AFTER_DAYS), time(9), UTC)
    answers = [
        InventedAnswer(
            surgeon,
            laid_at + timedelta(days=rng.randint(_FIRST_DAY, _LAST_DAY), hours=rng.randint(0, 8)),
            rng.choice(_WORDS),
        )
        for surgeon in sorted(surgeons)
    ]
    return InventedRound(
        period=f"{first.year}Q{1 + first.month // _MONTHS}",
        laid_at=laid_at,
        answers=tuple(sorted(answers, key=lambda answer: (answer.at, answer.surgeon))),
    )
