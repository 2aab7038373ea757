"""What a surgeon writes down for themselves: reflections, and actions with the day they are due."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from registry.domain.access import Role
from registry.domain.problems import Fault

if TYPE_CHECKING:
    from datetime import date

LONGEST_WORDS = 4000

PLACES = {
    "kind": "kind",
    "words": "words",
    "noted_on": "day",
    "due_on": "due on",
    "done_on": "done on",
    "outcome": "what came of it",
}
"""What a note's parts are called where something is wrong with them."""

MAY_BE_SHOWN_TO = frozenset({Role.SURGEON, Role.QUALITY_LEAD})
"""Whose accounts may be named. A registrar reads blind, and a steward sees nothing clinical."""


class NoteKind(StrEnum):
    """What was written down."""

    REFLECTION = "reflection"
    ACTION = "action"


@dataclass(frozen=True)
class Written:
    """A note as it was written.

    Attributes
    ----------
    kind : of the note
    words : what was thought, or what is to be done; several lines
    noted_on : its day
    due_on, done_on, outcome : of an action alone; what came of it is said once it is done
    """

    kind: NoteKind
    words: str
    noted_on: date
    due_on: date | None = None
    done_on: date | None = None
    outcome: str = ""


def faults_of(note: Written, today: date) -> list[Fault]:
    """Return everything that keeps a note from being kept; empty where nothing does.

    Examples
    --------
    >>> from datetime import date
    >>> note = Written(NoteKind.REFLECTION, "", date(2026, 3, 2))
    >>> [fault.line() for fault in faults_of(note, date(2026, 3, 3))]
    ['words: nothing was written; write what you want to keep']
    """
    found = [*_words_faults(note), *_day_faults(note, today)]
    if note.kind is NoteKind.ACTION:
        return found
    held = {"due_on": note.due_on, "done_on": note.done_on, "outcome": note.outcome}
    return found + [
        Fault("is for an action alone", PLACES[name], "empty it")
        for name, value in held.items()
        if value
    ]


def _words_faults(note: Written) -> list[Fault]:
    found = []
    if not note.words:
        found.append(Fault("nothing was written", "words", "write what you want to keep"))
    for name, text in (("words", note.words), ("outcome", note.outcome)):
        if len(text) > LONGEST_WORDS:
            mend = f"use at most {LONGEST_WORDS} characters"
            found.append(Fault(f"{len(text)} characters are too many", PLACES[name], mend))
    if note.outcome and note.done_on is None:
        found.append(Fault("is empty", PLACES["done_on"], "say on which day it was done"))
    return found


def _day_faults(note: Written, today: date) -> list[Fault]:
    past = (("noted_on", note.noted_on), ("done_on", note.done_on))
    found = [
        Fault(f"{day} lies after today", PLACES[name], "check the day")
        for name, day in past
        if day is not None and day > today
    ]
    for name, day in (("due_on", note.due_on), ("done_on", note.done_on)):
        if day is not None and day < note.noted_on:
            found.append(Fault(f"{day} is before {note.noted_on}", PLACES[name], "check the day"))
    return found
