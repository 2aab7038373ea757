"""Own notes with whom they are shown to, for their author, and those that others show."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from registry.domain.access import Deed, Reach, reach
from registry.domain.own_notes import MAY_BE_SHOWN_TO, NoteKind
from registry.store.models.own_notes import OwnNote, OwnNoteShown
from registry.store.models.people import Account, AccountRole, Person
from registry.store.visible_notes import own_notes, shown_notes

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer

TO_LEADS = "the quality lead"


@dataclass(frozen=True)
class Showing:
    """To whom a note is shown: the account's number, None for whoever is quality lead, a name."""

    showing_id: int
    account_id: int | None
    to: str
    since: datetime


@dataclass(frozen=True)
class Note:
    """A reflection or an action as it stands.

    Attributes
    ----------
    author : by name
    written_at : when it was first kept
    shown : to whom, for the author alone
    """

    note_id: int
    author: str
    kind: NoteKind
    words: str
    noted_on: date
    due_on: date | None
    done_on: date | None
    outcome: str | None
    written_at: datetime
    version: int
    shown: Sequence[Showing] = ()


@dataclass(frozen=True)
class Colleague:
    """An account to which a note may be shown, and the name it is chosen by."""

    account_id: int
    name: str


_COLUMNS = (
    OwnNote.id,
    Person.name,
    OwnNote.kind,
    OwnNote.words,
    OwnNote.noted_on,
    OwnNote.due_on,
    OwnNote.done_on,
    OwnNote.outcome,
    OwnNote.written_at,
    OwnNote.version,
)

# Numbers tell no order.
_LATEST = (OwnNote.noted_on.desc(), OwnNote.written_at.desc(), OwnNote.id)


def notes_of(session: Session, viewer: Viewer) -> list[Note]:
    """Return the viewer's own notes, the latest day first, each with whom it is shown to."""
    query = own_notes(viewer).join(Person, Person.id == OwnNote.person_id)
    rows = session.execute(query.with_only_columns(*_COLUMNS).order_by(*_LATEST)).all()
    shown: dict[int, list[Showing]] = {row[0]: [] for row in rows}
    showings = session.execute(
        select(OwnNoteShown, func.coalesce(Person.name, Account.name))
        .outerjoin(Account, Account.id == OwnNoteShown.account_id)
        .outerjoin(Person, Person.id == Account.person_id)
        .where(OwnNoteShown.note_id.in_(own_notes(viewer).with_only_columns(OwnNote.id)))
        .order_by(OwnNoteShown.id)
    )
    for showing, name in showings:
        shown[showing.note_id].append(
            Showing(showing.id, showing.account_id, name or TO_LEADS, showing.shown_at)
        )
    return [_note(tuple(row), shown[row[0]]) for row in rows]


def notes_shown_to(session: Session, viewer: Viewer) -> list[Note]:
    """Return what others show to the viewer, author by author, the latest day first."""
    query = shown_notes(viewer).join(Person, Person.id == OwnNote.person_id)
    rows = session.execute(query.with_only_columns(*_COLUMNS).order_by(Person.name, *_LATEST))
    return [_note(tuple(row)) for row in rows]


def colleagues(session: Session, viewer: Viewer) -> list[Colleague]:
    """Return the accounts to which the viewer may show a note, by name; none of their own."""
    if reach(viewer, Deed.SEE_OWN) is Reach.NONE:
        return []
    rows = session.execute(
        select(Account.id, func.coalesce(Person.name, Account.name), Account.person_id)
        .outerjoin(Person, Person.id == Account.person_id)
        .where(
            Account.is_disabled.is_(False),
            Account.is_local_operator.is_(False),
            Account.id.in_(
                select(AccountRole.account_id).where(
                    AccountRole.role.in_([role.value for role in MAY_BE_SHOWN_TO]),
                    AccountRole.taken_at.is_(None),
                )
            ),
        )
    ).all()
    found = [
        Colleague(row[0], row[1])
        for row in rows
        if row[0] != viewer.account_id and row[2] is not None and row[2] != viewer.person_id
    ]
    return sorted(found, key=lambda each: (each.name.casefold(), each.account_id))


def _note(row: tuple[Any, ...], shown: Sequence[Showing] = ()) -> Note:
    note_id, author, kind, *rest = row
    return replace(Note(note_id, author, NoteKind(kind), *rest), shown=tuple(shown))
