"""Which own notes a viewer may read: their own, and those that an author shows them.

Nobody else reads them whatever their role, the shell's own account included; a rule that is
absent means no.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import ColumnElement, Select, and_, exists, false, or_, select

from registry.domain.access import Deed, Reach, Role, reach
from registry.store.models.own_notes import OwnNote, OwnNoteShown
from registry.store.models.trail import EventRow

if TYPE_CHECKING:
    from registry.domain.access import Viewer

OWN_NOTES = (OwnNote.__tablename__, OwnNoteShown.__tablename__)


def own_notes(viewer: Viewer) -> Select[OwnNote]:
    """Return the notes that a viewer wrote, under any account of theirs."""
    may = viewer.person_id is not None and reach(viewer, Deed.SEE_OWN) is not Reach.NONE
    return select(OwnNote).where(OwnNote.person_id == viewer.person_id if may else false())


def shown_notes(viewer: Viewer) -> Select[OwnNote]:
    """Return others' notes that are shown to a viewer's account, or to them as quality lead."""
    if viewer.person_id is None or reach(viewer, Deed.SEE_SHOWN) is Reach.NONE:
        return select(OwnNote).where(false())
    return select(OwnNote).where(
        OwnNote.person_id != viewer.person_id,
        exists().where(OwnNoteShown.note_id == OwnNote.id, is_shown_to(viewer)).correlate(OwnNote),
    )


def is_shown_to(viewer: Viewer) -> ColumnElement[bool]:
    """Return what holds of a showing that is to a viewer."""
    by_role = OwnNoteShown.account_id.is_(None) if Role.QUALITY_LEAD in viewer.roles else false()
    return or_(OwnNoteShown.account_id == viewer.account_id, by_role)


def is_anothers_note(viewer: Viewer) -> ColumnElement[bool]:
    """Return what holds of an event of somebody else's note: its values are for its author."""
    of_note = or_(
        *(EventRow.record.startswith(f"{table}:", autoescape=True) for table in OWN_NOTES)
    )
    return and_(of_note, EventRow.actor != viewer.name)
