"""Keep own reflections and actions, change them, take them out, show them to whom one chooses."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from registry.domain.access import Deed, require
from registry.domain.own_notes import PLACES, NoteKind, Written, faults_of
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    Fault,
    NotAllowedError,
    NotFoundError,
)
from registry.domain.words import parse_word
from registry.intake import values
from registry.store.models.own_notes import OwnNote, OwnNoteShown
from registry.store.queries import own_notes as queries

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.queries.own_notes import Colleague, Note
    from registry.store.writing import Writing

# The trail is read by others too: it says that there was a note, and nothing of what it is.
_WROTE, _CHANGED, _TAKEN = "write an own note", "change an own note", "take an own note out"
_SHOWN, _NO_MORE = "show an own note", "stop showing an own note"


def own_notes(ledger: Ledger, viewer: Viewer) -> Sequence[Note]:
    """Return the viewer's own reflections and actions, and whom each is shown to."""
    author_of(viewer)
    with ledger.reading() as session:
        return queries.notes_of(session, viewer)


def own_note(ledger: Ledger, viewer: Viewer, note_id: int) -> Note:
    """Return one of the viewer's own notes; NotFoundError where it is none of theirs."""
    return _own(own_notes(ledger, viewer), note_id)


def notes_shown(ledger: Ledger, viewer: Viewer) -> Sequence[Note]:
    """Return what others show to the viewer."""
    require(viewer, Deed.SEE_SHOWN)
    with ledger.reading() as session:
        return queries.notes_shown_to(session, viewer)


def may_be_shown_to(ledger: Ledger, viewer: Viewer) -> Sequence[Colleague]:
    """Return the accounts to which the viewer may show a note, besides whoever is lead."""
    author_of(viewer)
    with ledger.reading() as session:
        return queries.colleagues(session, viewer)


def author_of(viewer: Viewer) -> int:
    """Return the person whose own results and notes a viewer may see; NotAllowedError for none."""
    require(viewer, Deed.SEE_OWN)
    if viewer.person_id is None:
        raise NotAllowedError(
            f"{viewer.name} belongs to no person and so has no screws of its own; use a surgeon's "
            "account"
        )
    return viewer.person_id


def write_note(
    ledger: Ledger, viewer: Viewer, texts: Mapping[str, str], *, today: date, now: datetime
) -> int:
    """Keep a reflection or an action as typed; return it. BadInputError says all that is wrong.

    Its number stands in its address and in its author's trail: one after the other, numbers would
    tell the author how many notes colleagues keep.
    """
    author = author_of(viewer)
    note = _read(texts, today)
    with ledger.writing(viewer, now) as work:
        return work.insert_by_chance(
            OwnNote,
            _WROTE,
            person_id=author,
            written_at=now,
            kind=note.kind,
            **_columns(note),
        )


def change_note(
    ledger: Ledger,
    viewer: Viewer,
    note_id: int,
    texts: Mapping[str, str],
    *,
    today: date,
    now: datetime,
) -> None:
    """Change an own note as typed, or say that an action is done; whom it is shown to stays.

    ConflictError where it has been changed since the form was opened.
    """
    author_of(viewer)
    with ledger.writing(viewer, now) as work:
        stands = _standing(work, viewer, note_id)
        note = _read({**texts, "kind": stands.kind}, today)
        if texts.get("version", "") != str(stands.version):
            raise ConflictError(
                Fault("it has been changed meanwhile", mend="look at it again, then change it")
            )
        work.update(OwnNote, _CHANGED, note_id, **_columns(note))


def take_out_note(ledger: Ledger, viewer: Viewer, note_id: int, now: datetime) -> None:
    """Take an own note out with all of its showings; its words are then in no record."""
    author_of(viewer)
    with ledger.writing(viewer, now) as work:
        for showing in _standing(work, viewer, note_id).shown:
            work.remove(OwnNoteShown, _NO_MORE, showing.showing_id)
        work.remove(OwnNote, _TAKEN, note_id)


def show_note(ledger: Ledger, viewer: Viewer, note_id: int, to: str, now: datetime) -> None:
    """Show an own note to the account of this number; to whoever is quality lead for ''."""
    author_of(viewer)
    with ledger.writing(viewer, now) as work:
        stands = _standing(work, viewer, note_id)
        account_id = _account(work, viewer, to)
        if any(showing.account_id == account_id for showing in stands.shown):
            raise ConflictError(Fault("it is shown to them already", mend="nothing was changed"))
        work.insert(OwnNoteShown, _SHOWN, note_id=note_id, account_id=account_id, shown_at=now)


def stop_showing(
    ledger: Ledger, viewer: Viewer, note_id: int, showing_id: int, now: datetime
) -> None:
    """Show an own note to somebody no longer."""
    author_of(viewer)
    with ledger.writing(viewer, now) as work:
        shown = _standing(work, viewer, note_id).shown
        if showing_id not in {showing.showing_id for showing in shown}:
            raise NotFoundError("the note is not shown to them")
        work.remove(OwnNoteShown, _NO_MORE, showing_id)


def _standing(work: Writing, viewer: Viewer, note_id: int) -> Note:
    return _own(queries.notes_of(work.session, viewer), note_id)


def _own(notes: Sequence[Note], note_id: int) -> Note:
    found = next((note for note in notes if note.note_id == note_id), None)
    if found is None:
        raise NotFoundError("there is no such note among your own")
    return found


def _account(work: Writing, viewer: Viewer, to: str) -> int | None:
    if not to:
        return None
    named = {str(each.account_id): each for each in queries.colleagues(work.session, viewer)}
    if to not in named:
        mend = "choose a surgeon's or a quality lead's account of the list"
        raise BadInputError(Fault("a note cannot be shown to that account", "to", mend))
    return named[to].account_id


def _columns(note: Written) -> dict[str, Any]:
    return {
        "words": note.words,
        "noted_on": note.noted_on,
        "due_on": note.due_on,
        "done_on": note.done_on,
        "outcome": note.outcome or None,
    }


def _read(texts: Mapping[str, str], today: date) -> Written:
    """Return what was typed; BadInputError says all that is wrong with it."""
    faults: list[Fault] = []
    days = {
        name: _day(texts.get(name, ""), name, faults) for name in ("noted_on", "due_on", "done_on")
    }
    try:
        kind = parse_word(NoteKind, texts.get("kind", ""))
    except ValueError as error:
        raise BadInputError(*faults, Fault("cannot be used", "kind", str(error))) from None
    words, outcome = (_lines(texts.get(name, "")) for name in ("words", "outcome"))
    noted_on = days["noted_on"] or today
    note = Written(kind, words, noted_on, days["due_on"], days["done_on"], outcome)
    faults += faults_of(note, today)
    if faults:
        raise BadInputError(*faults)
    return note


def _day(text: str, name: str, faults: list[Fault]) -> date | None:
    if not text.strip():
        return None
    try:
        return values.day(text.strip())
    except ValueError as error:
        faults.append(Fault(f"{text.strip()[:40]!r} cannot be used", PLACES[name], str(error)))
        return None


def _lines(text: str) -> str:
    """Return words line by line, without marks that nobody can see."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    clean = ("".join(mark for mark in line if mark.isprintable()).strip() for line in lines)
    return "\n".join(clean).strip()
