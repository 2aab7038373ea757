"""A surgeon's own reflections and actions, and whom they are shown to."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import CheckConstraint, ForeignKey, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from registry.domain.own_notes import NoteKind
from registry.store.columns import Instant, Secret
from registry.store.models.base import Tracked, one_of


class OwnNote(Tracked):
    """A reflection or an action of a person's own; the trail names its words by their digest."""

    __tablename__ = "own_note"
    __table_args__ = (
        CheckConstraint(one_of("kind", NoteKind), name="kind"),
        CheckConstraint(
            "kind = 'action' OR (due_on IS NULL AND done_on IS NULL AND outcome IS NULL)",
            name="action",
        ),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    kind: Mapped[str] = mapped_column(String(20))
    words: Mapped[str] = mapped_column(Secret)
    noted_on: Mapped[date]
    due_on: Mapped[date | None]
    done_on: Mapped[date | None]
    outcome: Mapped[str | None] = mapped_column(Secret)
    written_at: Mapped[datetime] = mapped_column(Instant)
    version: Mapped[int]


class OwnNoteShown(Tracked):
    """An own note is shown to an account or, where none is named, to whoever is quality lead."""

    __tablename__ = "own_note_shown"
    __table_args__ = (UniqueConstraint("note_id", "account_id"),)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    note_id: Mapped[int] = mapped_column(ForeignKey("own_note.id"))
    account_id: Mapped[int | None] = mapped_column(ForeignKey("account.id"), index=True)
    shown_at: Mapped[datetime] = mapped_column(Instant)
    version: Mapped[int]
