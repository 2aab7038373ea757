"""What became of a patient after a case, as far as a screw's position bears on it."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import CheckConstraint, ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from registry.store.columns import Instant
from registry.store.models.base import Tracked


class Outcome(Tracked):
    """One thing that was observed of a case after it, on a day."""

    __tablename__ = "outcome"
    __table_args__ = (
        CheckConstraint("told_by_id IS NULL OR told_on IS NOT NULL", name="told"),
        CheckConstraint("has_deficit OR deficit_words IS NULL", name="deficit"),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    case_id: Mapped[int] = mapped_column(ForeignKey("operation.id"), index=True)
    screw_id: Mapped[int | None] = mapped_column(ForeignKey("screw.id"), index=True)
    observed_on: Mapped[date]
    has_deficit: Mapped[bool]
    deficit_words: Mapped[str | None] = mapped_column(String(500))
    is_revised_for_position: Mapped[bool]
    action: Mapped[str | None] = mapped_column(String(500))
    told_on: Mapped[date | None]
    told_by_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"), index=True)
    recorded_by_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    recorded_at: Mapped[datetime] = mapped_column(Instant)
    version: Mapped[int]
