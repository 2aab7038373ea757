"""The event trail as people read it: what was done, and what changed where they may see that."""

from __future__ import annotations

import json
from bisect import bisect_left
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, or_, select

from registry.domain.access import Deed, Reach, reach
from registry.domain.problems import NotFoundError
from registry.store.columns import instant_text
from registry.store.models.cases import Case, Screw
from registry.store.models.every import TRACKED
from registry.store.models.people import Account, Person
from registry.store.models.trail import EventRow
from registry.store.visible import (
    OF_CASE,
    OF_SCREW,
    events_of_cases,
    has_visible_actor,
    has_visible_values,
    visible_cases,
    visible_events,
)
from registry.store.visible_notes import OWN_NOTES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from sqlalchemy import Select
    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer

ANOTHER = "another account"
HIDDEN_SECRET = "(secret)"  # noqa: S105 - says that there is one
_LONGEST_SHOWN = 300


def _naming(table: str) -> frozenset[str]:
    """Return the columns of any tracked table that name a row of another."""
    return frozenset(
        key.parent.name
        for model in TRACKED
        for key in model.__table__.foreign_keys
        if key.column.table.name == table
    )


_PEOPLE, _ACCOUNTS = _naming(Person.__tablename__), _naming(Account.__tablename__)


@dataclass(frozen=True)
class TrailAsked:
    """Which events are asked for; what is empty asks for no less.

    Attributes
    ----------
    record : a record such as `screw:12`, or a kind of record such as `screw`
    actor : who did it, as the trail names them
    since, before : instants, the second left out
    case_id : of one case
    """

    record: str = ""
    actor: str = ""
    since: datetime | None = None
    before: datetime | None = None
    case_id: int | None = None


@dataclass(frozen=True)
class Change:
    """One column of a record; both values None where they are not the viewer's to see."""

    column: str
    before: str | None
    after: str | None


@dataclass(frozen=True)
class TrailLine:
    """One event.

    Attributes
    ----------
    number : the event's own; to who sees not every event its place among those that they see, for
        a gap would tell how much a reading of theirs set in motion: nothing where the screw was
        drawn, more where a second reading was asked for
    at : instant, as the trail writes it
    reason : None where it is not the viewer's to see
    changes : the columns that differ
    has_values : whether the viewer sees their values
    case_id : the case whose values one event shows, where it was asked for alone
    """

    number: int
    at: str
    actor: str
    verb: str
    record: str
    reason: str | None
    changes: Sequence[Change]
    has_values: bool
    case_id: int | None = None


def trail_lines(
    session: Session, viewer: Viewer, asked: TrailAsked, start: int, at_most: int
) -> tuple[list[TrailLine], int]:
    """Return some of the events asked for, the latest first, and how many there are in all."""
    query, numbers = _asked(viewer, asked), _Numbers.read(session, viewer)
    if numbers.seen is not None and asked == TrailAsked():
        # Which they see is known: asked for by number the page costs next to nothing.
        total = len(numbers.seen)
        page = numbers.seen[max(total - start - at_most, 0) : max(total - start, 0)]
        query, start = query.where(EventRow.sequence.in_(page)), 0
    else:
        counted = query.with_only_columns(func.count(), maintain_column_froms=True)
        total = session.execute(counted).scalar_one()
    rows = session.execute(
        query.with_only_columns(EventRow, has_visible_values(viewer), has_visible_actor(viewer))
        .order_by(EventRow.sequence.desc())
        .offset(start)
        .limit(at_most)
    )
    names = _Names.read(session)
    lines = [_listed(_line(*row, names, numbers), row[0]) for row in rows]
    return lines, int(total)


def _listed(line: TrailLine, row: EventRow) -> TrailLine:
    """Return a line without the columns of a new record: which are filled tells what they hold.

    A re-reading that was asked for says by whom, one that covers it does not.
    """
    return line if row.before else replace(line, changes=[])


def trail_line(session: Session, viewer: Viewer, number: int) -> TrailLine:
    """Return one event by its number; NotFoundError where it is not the viewer's to see."""
    numbers = _Numbers.read(session, viewer)
    found = session.execute(
        visible_events(viewer)
        .where(EventRow.sequence == numbers.sequence(number))
        .with_only_columns(EventRow, has_visible_values(viewer), has_visible_actor(viewer))
    ).first()
    if found is None:
        raise NotFoundError("there is no such event among those you may see")
    line = _line(*found, _Names.read(session), numbers)
    if not line.has_values:
        line = _listed(line, found[0])
    return replace(line, case_id=_case_of(session, line.record)) if line.has_values else line


def _case_of(session: Session, record: str) -> int | None:
    table, _, number = record.partition(":")
    if table == Case.__tablename__:
        return int(number)
    for model in OF_CASE:
        if table == model.__tablename__:
            asked = select(model.case_id).where(model.id == int(number))
            return session.execute(asked).scalar()
    for other in OF_SCREW:
        if table == other.__tablename__:
            joined = select(Screw.case_id).join(other, other.screw_id == Screw.id)
            return session.execute(joined.where(other.id == int(number))).scalar()
    return None


def _asked(viewer: Viewer, asked: TrailAsked) -> Select[EventRow]:
    query = visible_events(viewer)
    if asked.record:
        kind = EventRow.record.startswith(f"{asked.record}:", autoescape=True)
        query = query.where(or_(EventRow.record == asked.record, kind))
    if asked.actor:
        query = query.where(EventRow.actor == asked.actor, has_visible_actor(viewer))
    if asked.since is not None:
        query = query.where(EventRow.at >= instant_text(asked.since))
    if asked.before is not None:
        query = query.where(EventRow.at < instant_text(asked.before))
    if asked.case_id is not None:
        query = query.where(events_of_cases(visible_cases(viewer).where(Case.id == asked.case_id)))
    return query


@dataclass(frozen=True)
class _Names:
    people: Mapping[int, str]
    accounts: Mapping[int, str]

    @classmethod
    def read(cls, session: Session) -> _Names:
        people = session.execute(select(Person.id, Person.name))
        accounts = session.execute(select(Account.id, Account.name))
        return cls({row[0]: row[1] for row in people}, {row[0]: row[1] for row in accounts})

    def shown(self, column: str, value: object) -> str:
        """Return a value as a person reads it."""
        if value is None:
            return ""
        if isinstance(value, bool):
            return "yes" if value else "no"
        if column in _PEOPLE and isinstance(value, int):
            return self.people.get(value, str(value))
        if column in _ACCOUNTS and isinstance(value, int):
            return self.accounts.get(value, str(value))
        text = str(value)
        if text.startswith("keyed:") or column.endswith("_hash"):
            return HIDDEN_SECRET
        return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}..."


@dataclass(frozen=True)
class _Numbers:
    """The sequences of the events that a viewer sees, in order; None for who sees all."""

    seen: Sequence[int] | None

    @classmethod
    def read(cls, session: Session, viewer: Viewer) -> _Numbers:
        if reach(viewer, Deed.SEE_TRAIL) is Reach.ALL:
            return cls(None)
        own = visible_events(viewer).with_only_columns(EventRow.sequence)
        return cls(session.execute(own.order_by(EventRow.sequence)).scalars().all())

    def number(self, sequence: int) -> int:
        return sequence if self.seen is None else bisect_left(self.seen, sequence) + 1

    def sequence(self, number: int) -> int | None:
        if self.seen is None:
            return number
        return self.seen[number - 1] if 1 <= number <= len(self.seen) else None


def _line(
    row: EventRow,
    has_values: bool,  # noqa: FBT001 - a column of the row that is unpacked here
    has_actor: bool,  # noqa: FBT001 - as the one before
    names: _Names,
    numbers: _Numbers,
) -> TrailLine:
    before, after = _values(row.before), _values(row.after)
    if not has_values and row.record.partition(":")[0] in OWN_NOTES:
        # Which columns another's note has filled tells whether it is an action, and done.
        before = after = {}
    differing = sorted(
        name
        for name in before.keys() | after.keys()
        if before.get(name) != after.get(name) and name not in {"id", "version"}
    )
    return TrailLine(
        numbers.number(row.sequence),
        row.at,
        row.actor if has_actor else ANOTHER,
        row.verb,
        row.record,
        row.reason if has_values else None,
        [
            Change(
                name.removesuffix("_id").replace("_", " "),
                names.shown(name, before.get(name)) if has_values else None,
                names.shown(name, after.get(name)) if has_values else None,
            )
            for name in differing
        ],
        bool(has_values),
    )


def _values(written: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(written) if written else {}
    return found
