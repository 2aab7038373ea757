"""What the unit agreed to do about a quarter: who, until when, and what came of it."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import CheckConstraint, ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from registry.store.columns import Instant
from registry.store.models.base import Tracked


class QuarterAction(Tracked):
    """An action agreed on for a quarter.

    It is never taken out: it ends, done or not, with what came of it, or another takes its place
    for a stated reason (`replaces_id`, `why`).
    """

    __tablename__ = "quarter_action"
    __table_args__ = (
        CheckConstraint("(ended_at IS NULL) = (is_done IS NULL)", name="done"),
        CheckConstraint("(ended_at IS NULL) = (ended_on IS NULL)", name="ended_on"),
        CheckConstraint("(ended_at IS NULL) = (ended_by_id IS NULL)", name="ended_by"),
        CheckConstraint("(ended_at IS NULL) = (came_of_it IS NULL)", name="came_of_it"),
        CheckConstraint("(replaces_id IS NULL) = (why IS NULL)", name="why"),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    period: Mapped[str] = mapped_column(String(10), index=True)
    what: Mapped[str] = mapped_column(String(1000))
    owner_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    due_on: Mapped[date]
    agreed_by_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    agreed_at: Mapped[datetime] = mapped_column(Instant)
    replaces_id: Mapped[int | None] = mapped_column(ForeignKey("quarter_action.id"), unique=True)
    why: Mapped[str | None] = mapped_column(String(500))
    is_done: Mapped[bool | None]
    ended_on: Mapped[date | None]
    came_of_it: Mapped[str | None] = mapped_column(String(1000))
    ended_by_id: Mapped[int | None] = mapped_column(ForeignKey("account.id"), index=True)
    ended_at: Mapped[datetime | None] = mapped_column(Instant)
    version: Mapped[int]
