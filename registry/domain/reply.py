"""The right of reply: what a surgeon may ask for, what stands between a quarter and its seal."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from registry.domain.problems import BadInputError, Fault
from registry.domain.readings import ReadingRole

_QUARTER = re.compile(r"(\d{4})Q([1-4])")
_MONTHS = 3
_LAST_MONTH = 12


@dataclass(frozen=True)
class Quarter:
    """A calendar quarter: its name, such as 2026Q3, first and last day."""

    name: str
    first: date
    last: date


def quarter(name: str) -> Quarter:
    """Return a quarter by its name; BadInputError where there is none of that name.

    Examples
    --------
    >>> quarter("2026Q4").first, quarter("2026Q4").last
    (datetime.date(2026, 10, 1), datetime.date(2026, 12, 31))
    """
    found = _QUARTER.fullmatch(name)
    if found is None or not date.min.year < int(found[1]) < date.max.year:
        raise BadInputError(Fault(f"{name!r} is no quarter", mend="write it as 2026Q3"))
    year, last_month = int(found[1]), _MONTHS * int(found[2])
    after = date(year + last_month // _LAST_MONTH, last_month % _LAST_MONTH + 1, 1)
    return Quarter(name, date(year, last_month - 2, 1), after - timedelta(days=1))


def quarter_of(day: date) -> Quarter:
    """Return the quarter that a day is in."""
    return quarter(f"{day.year:04}Q{(day.month + _MONTHS - 1) // _MONTHS}")


class Again(StrEnum):
    """How a screw can be read again blind, by what it has been read already."""

    SECOND = "a second reading"
    ADJUDICATION = "an adjudication"
    NEW_ADJUDICATION = "a new adjudication"
    OWED = "owed already"
    UNREAD = "not read yet"
    ELSEWHERE = "no image held here"


ROLE_OF = {
    Again.SECOND: ReadingRole.SECOND,
    Again.ADJUDICATION: ReadingRole.ADJUDICATION,
    Again.NEW_ADJUDICATION: ReadingRole.ADJUDICATION,
}
"""Of those that can be asked for."""


def how_again(roles_read: frozenset[ReadingRole], *, is_owed: bool, is_held: bool) -> Again:
    """Return how a screw is read again by somebody who has not read it.

    Parameters
    ----------
    roles_read : roles of its standing readings on the audit scan
    is_owed : another reading of it is asked for and not made yet
    is_held : the image is held here
    """
    if ReadingRole.FIRST not in roles_read:
        return Again.UNREAD
    if not is_held:
        return Again.ELSEWHERE
    if is_owed:
        return Again.OWED
    if ReadingRole.ADJUDICATION in roles_read:
        return Again.NEW_ADJUDICATION
    return Again.ADJUDICATION if ReadingRole.SECOND in roles_read else Again.SECOND


@dataclass(frozen=True)
class RoundFacts:
    """What is known of a quarter's round when it is asked whether the quarter can be sealed.

    Attributes
    ----------
    closes_on : last day of the surgeons' days; None where no round was opened
    unanswered : surgeons of the quarter who have not said that they have looked
    rereadings_owed : re-readings of the round that are not made yet, those that cover them included
    adjudications_owed : screws of the quarter that wait for an adjudication
    sealable_from : first day after the unit's delay; None where it is not asked for
    """

    closes_on: date | None
    unanswered: int
    rereadings_owed: int
    adjudications_owed: int
    sealable_from: date | None = None


class Waits(StrEnum):
    """What a quarter waits for before its seal."""

    END = "its end"
    DELAY = "the unit's delay"
    ROUND = "the right of reply"
    REPLIES = "replies"
    REREADINGS = "re-readings"
    ADJUDICATIONS = "adjudications"


@dataclass(frozen=True)
class Hindrance:
    """One thing that stands between a quarter and its seal: of which kind, and in words."""

    waits_for: Waits
    words: str


def stands_in_the_way(quarter_asked: Quarter, facts: RoundFacts, today: date) -> list[Hindrance]:
    """Return what has to be done or waited for before a quarter can be sealed; empty where nothing.

    The days end early once every surgeon of the quarter has answered.
    """
    found = []
    if today <= quarter_asked.last:
        found.append(Hindrance(Waits.END, f"{quarter_asked.name} ends on {quarter_asked.last}"))
    elif facts.sealable_from is not None and today < facts.sealable_from:
        found.append(Hindrance(Waits.DELAY, f"the unit seals it from {facts.sealable_from} on"))
    if facts.closes_on is None:
        found.append(Hindrance(Waits.ROUND, "the right of reply has not been opened"))
    elif today <= facts.closes_on and facts.unanswered:
        who = _counted(facts.unanswered, "surgeon")
        words = f"{who} may still reply until {facts.closes_on}"
        found.append(Hindrance(Waits.REPLIES, words))
    for kind, owed, noun in (
        (Waits.REREADINGS, facts.rereadings_owed, "re-reading"),
        (Waits.ADJUDICATIONS, facts.adjudications_owed, "adjudication"),
    ):
        if owed:
            verb = "is" if owed == 1 else "are"
            found.append(Hindrance(kind, f"{_counted(owed, noun)} {verb} owed"))
    return found


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")
