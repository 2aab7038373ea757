"""Own reflections and actions, shown to whom one chooses; and those that others show."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from flask import Blueprint, redirect, render_template, request, url_for

from registry.actions import own_notes as action
from registry.domain.access import Deed
from registry.domain.own_notes import LONGEST_WORDS, PLACES, NoteKind
from registry.domain.problems import BadInputError, ConflictError
from registry.web.context import current_ledger, current_viewer, now, today
from registry.web.errors import page_with
from registry.web.fields import Choice, Field
from registry.web.guard import needs
from registry.web.period import told_by_field

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from flask.typing import ResponseReturnValue

    from registry.domain.problems import Fault
    from registry.store.queries.own_notes import Note

own_notes_page = Blueprint(
    "own_notes", __name__, template_folder="templates", url_prefix="/own/notes"
)

_OWN = needs(Deed.SEE_OWN)
_LABELS = {
    "words": "What you thought, or what is to be done",
    "noted_on": "Day",
    "due_on": "Due on",
    "done_on": "Done on (empty while it is not)",
    "outcome": "What came of it",
}
_KINDS = (
    Choice(NoteKind.REFLECTION, "a reflection"),
    Choice(NoteKind.ACTION, "an action"),
)
_OF_NEW = ("words", "noted_on", "due_on")
_OF_ACTION = (*_OF_NEW, "done_on", "outcome")
_LINES = frozenset({"words", "outcome"})


@own_notes_page.get("/")
@_OWN
def listed() -> ResponseReturnValue:
    """List the own notes, with a form for another."""
    return render_template("own/notes.html", **_listed({"noted_on": today().isoformat()}))


@own_notes_page.post("/")
@_OWN
def write() -> ResponseReturnValue:
    """Keep another note."""
    typed = request.form.to_dict()
    try:
        action.write_note(current_ledger(), current_viewer(), typed, today=today(), now=now())
    except BadInputError as problem:
        return page_with(problem, "own/notes.html", **_listed(typed, problem.faults))
    return redirect(url_for(".listed"), 303)


@own_notes_page.get("/<int:note_id>")
@_OWN
def show(note_id: int) -> ResponseReturnValue:
    """Show an own note: to be changed, shown to others, or taken out."""
    return render_template("own/note.html", **_one(note_id))


@own_notes_page.post("/<int:note_id>")
@_OWN
def change(note_id: int) -> ResponseReturnValue:
    """Change an own note, or say that an action is done."""
    typed = request.form.to_dict()

    def act() -> None:
        action.change_note(
            current_ledger(), current_viewer(), note_id, typed, today=today(), now=now()
        )

    return _done(note_id, act, typed)


@own_notes_page.post("/<int:note_id>/take-out")
@_OWN
def take_out(note_id: int) -> ResponseReturnValue:
    """Take an own note out."""
    action.take_out_note(current_ledger(), current_viewer(), note_id, now())
    return redirect(url_for(".listed"), 303)


@own_notes_page.post("/<int:note_id>/show")
@_OWN
def show_to(note_id: int) -> ResponseReturnValue:
    """Show an own note to an account, or to whoever is quality lead."""
    to = request.form.get("to", "")
    return _done(
        note_id, lambda: action.show_note(current_ledger(), current_viewer(), note_id, to, now())
    )


@own_notes_page.post("/<int:note_id>/shown/<int:showing_id>/stop")
@_OWN
def stop(note_id: int, showing_id: int) -> ResponseReturnValue:
    """Show it to them no longer."""
    action.stop_showing(current_ledger(), current_viewer(), note_id, showing_id, now())
    return redirect(url_for(".show", note_id=note_id), 303)


@own_notes_page.get("/shown")
@needs(Deed.SEE_SHOWN)
def shown() -> ResponseReturnValue:
    """Show what others show of their own notes."""
    notes = action.notes_shown(current_ledger(), current_viewer())
    return render_template("own/shown.html", notes=notes)


def _done(
    note_id: int, act: Callable[[], None], typed: Mapping[str, str] | None = None
) -> ResponseReturnValue:
    try:
        act()
    except (BadInputError, ConflictError) as problem:
        # What was kept meanwhile stands beside what was typed: a second press would replace it.
        is_late = typed is not None and isinstance(problem, ConflictError)
        shown = _one(note_id, typed, problem.faults)
        return page_with(problem, "own/note.html", is_late=is_late, **shown)
    return redirect(url_for(".show", note_id=note_id), 303)


def _listed(typed: Mapping[str, str], faults: Iterable[Fault] = ()) -> dict[str, Any]:
    notes = action.own_notes(current_ledger(), current_viewer())
    actions = [note for note in notes if note.kind is NoteKind.ACTION]
    kind = Field("kind", "Kind", typed.get("kind", NoteKind.REFLECTION), "select", _KINDS)
    return {
        "reflections": [note for note in notes if note.kind is NoteKind.REFLECTION],
        "actions": sorted(actions, key=lambda note: note.done_on is not None),
        "today": today(),
        "fields": [kind, *map(_of_action_alone, _fields(_OF_NEW, typed, faults))],
    }


def _one(
    note_id: int, typed: Mapping[str, str] | None = None, faults: Iterable[Fault] = ()
) -> dict[str, Any]:
    note = action.own_note(current_ledger(), current_viewer(), note_id)
    names = _OF_ACTION if note.kind is NoteKind.ACTION else ("words", "noted_on")
    shown_to = {showing.account_id for showing in note.shown}
    offered = [
        Choice(str(each.account_id), each.name)
        for each in action.may_be_shown_to(current_ledger(), current_viewer())
        if each.account_id not in shown_to
    ]
    if None not in shown_to:
        offered.insert(0, Choice("", "the quality lead, whoever that is"))
    return {
        "note": note,
        "fields": _fields(names, _held(note) if typed is None else typed, faults),
        "to": Field("to", "Show it to", offered[0].value, "select", offered) if offered else None,
    }


def _of_action_alone(field: Field) -> Field:
    """Return a field of the form for either kind, labelled where it is for an action alone."""
    if field.name != "due_on":
        return field
    return replace(field, label=f"{field.label} (an action alone)")


def _held(note: Note) -> dict[str, str]:
    return {name: str(getattr(note, name) or "") for name in _OF_ACTION}


def _fields(names: Iterable[str], typed: Mapping[str, str], faults: Iterable[Fault]) -> list[Field]:
    wrong = told_by_field(faults)
    return [
        Field(
            name,
            _LABELS[name],
            typed.get(name, ""),
            "textarea" if name in _LINES else "date",
            error=wrong.get(PLACES[name], ""),
            longest=LONGEST_WORDS if name in _LINES else 0,
        )
        for name in names
    ]
