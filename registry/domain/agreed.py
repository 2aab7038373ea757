"""Actions that the unit agreed on for a quarter: how far one is, and which a report tells."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from registry.domain.reply import quarter

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from registry.domain.reply import Quarter

LONGEST_WHAT, LONGEST_CAME, LONGEST_WHY = 1000, 1000, 500


class AgreedState(StrEnum):
    """How far an action is."""

    OPEN = "open"
    DONE = "done"
    NOT_DONE = "not done"
    REPLACED = "replaced"


@dataclass(frozen=True)
class AgreedAction:
    """An action as it stood at an instant.

    Attributes
    ----------
    number : of its record
    period : quarter for which it was agreed on
    what, owner : what is done, and by whom
    due_on : day until which it should be done
    agreed_on : day
    state : how far it was
    ended_on : day on which it was done or given up, or replaced; None while it is open
    came_of_it : in words; why it was replaced, where it was; None while it is open
    replaces, replaced_by : numbers of the action before it and of the one after it
    version : of its record
    """

    number: int
    period: str
    what: str
    owner: str
    due_on: date
    agreed_on: date
    state: AgreedState
    ended_on: date | None = None
    came_of_it: str | None = None
    replaces: int | None = None
    replaced_by: int | None = None
    version: int = 1

    def is_overdue(self, day: date) -> bool:
        """Return whether it is open on a day after the one on which it was due."""
        return self.state is AgreedState.OPEN and day > self.due_on

    def due_words(self, day: date) -> str:
        """Return how an open action stands against its due day, in words."""
        days = (self.due_on - day).days
        if days == 0:
            return "due today"
        number = f"{abs(days)} {'day' if abs(days) == 1 else 'days'}"
        return f"{number} left" if days > 0 else f"overdue by {number}"


def from_last_time(actions: Iterable[AgreedAction], asked: Quarter) -> tuple[AgreedAction, ...]:
    """Return the actions of earlier quarters that are open, or ended since the quarter began."""
    return tuple(
        each
        for each in actions
        if quarter(each.period).first < asked.first
        and (each.ended_on is None or each.ended_on >= asked.first)
    )


def agreed_for(actions: Iterable[AgreedAction], asked: Quarter) -> tuple[AgreedAction, ...]:
    """Return the actions that were agreed on for a quarter."""
    return tuple(each for each in actions if each.period == asked.name)
