"""See to adjudications: what is owed, who is to decide, and taking it back.

A lead may take any that they have no part in; others only what they were appointed to. Whoever
decides sees neither of the readings.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, Viewer, require
from registry.domain.problems import BadInputError, ConflictError, Fault, NotFoundError
from registry.store.models.readings import Assignment
from registry.store.queries.assignments import owed_readings
from registry.store.queries.ordered_readings import (
    is_free_to_read,
    open_adjudications,
    readers,
)

if TYPE_CHECKING:
    from datetime import datetime

    from registry.store.home import Ledger
    from registry.store.queries.ordered_readings import OpenAdjudication
    from registry.store.writing import Writing


@dataclass(frozen=True)
class Adjudication:
    """An adjudication that is owed.

    Attributes
    ----------
    assignment_id : names it
    level, side, number : which screw
    waiting_days : since it was asked for
    appointed_id, appointed : who is to decide, None where any lead may
    is_held_here : whether its image is; else it can only be loaded from a table
    is_viewers : whether the viewer may decide it
    """

    assignment_id: int
    level: str
    side: str
    number: int
    waiting_days: int
    appointed_id: int | None
    appointed: str | None
    is_held_here: bool
    is_viewers: bool


def adjudications(ledger: Ledger, viewer: Viewer, now: datetime) -> list[Adjudication]:
    """Return what is to be decided, the longest waiting first."""
    require(viewer, Deed.ORDER_READINGS, at_least=Reach.ALL)
    with ledger.reading() as session:
        found = open_adjudications(session, viewer)
        own = {owed.assignment_id for owed in owed_readings(session, viewer)}
    return [
        Adjudication(
            assignment_id=each.assignment_id,
            level=each.level,
            side=each.side,
            number=each.number,
            waiting_days=(now - each.asked_at).days,
            appointed_id=each.reader_id,
            appointed=each.reader,
            is_held_here=each.is_held_here,
            is_viewers=each.assignment_id in own,
        )
        for each in found
    ]


def possible_adjudicators(ledger: Ledger, viewer: Viewer) -> list[tuple[int, str]]:
    """Return who may read screws at all, by person and name.

    The same for every screw: a shorter list would tell the lead, who may decide themselves, who
    operated or read.
    """
    require(viewer, Deed.ORDER_READINGS, at_least=Reach.ALL)
    with ledger.reading() as session:
        return [(each.person_id, each.name) for each in readers(session)]


def appoint(
    ledger: Ledger, viewer: Viewer, assignment_id: int, person_id: int | None, now: datetime
) -> None:
    """Make an adjudication out to one person.

    Raises
    ------
    BadInputError : nobody who reads screws, or somebody who took part or has read this one
    NotFoundError : it is not owed (any more)
    ConflictError : somebody else was appointed meanwhile
    """
    require(viewer, Deed.ORDER_READINGS, at_least=Reach.ALL)
    with ledger.writing(viewer, now) as work:
        owed = _owed(work, viewer, assignment_id)
        if owed.reader_id is not None:
            raise ConflictError(
                Fault("somebody is appointed to this adjudication", mend="take it back first")
            )
        known = {each.person_id: each.name for each in readers(work.session)}
        if person_id is None or person_id not in known:
            raise BadInputError(
                Fault("nobody who reads screws", "adjudicator", "choose one from the list")
            )
        if not is_free_to_read(work.session, assignment_id, person_id):
            raise BadInputError(
                Fault(
                    f"{known[person_id]} has read this screw, or operated or assisted in its case",
                    "adjudicator",
                    "choose another",
                )
            )
        work.update(Assignment, "appoint an adjudicator", assignment_id, reader_id=person_id)


def take_back(
    ledger: Ledger, viewer: Viewer, assignment_id: int, person_id: int | None, now: datetime
) -> None:
    """Let any lead take an adjudication again that was made out to this person."""
    require(viewer, Deed.ORDER_READINGS, at_least=Reach.ALL)
    with ledger.writing(viewer, now) as work:
        owed = _owed(work, viewer, assignment_id)
        if owed.reader_id is None:
            raise ConflictError(
                Fault("nobody is appointed to this adjudication", mend="look at the list again")
            )
        if owed.reader_id != person_id:
            raise ConflictError(
                Fault(
                    f"by now {owed.reader} is appointed to this adjudication",
                    mend="look at the list again",
                )
            )
        work.update(Assignment, "take an adjudication back", assignment_id, reader_id=None)


def _owed(work: Writing, viewer: Viewer, assignment_id: int) -> OpenAdjudication:
    found = open_adjudications(work.session, viewer, assignment_id)
    if not found:
        raise NotFoundError("this adjudication is not owed, or has been made meanwhile")
    return found[0]
