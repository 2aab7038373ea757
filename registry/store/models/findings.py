"""Findings that, by the unit's own policy, cannot wait: what was shown, and what was done."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from registry.store.columns import Instant
from registry.store.models.base import Tracked


class Finding(Tracked):
    """A reading that met the unit's policy; open until the quality lead closes it."""

    __tablename__ = "finding"
    __table_args__ = (
        CheckConstraint("(closed_at IS NULL) = (closed_by_id IS NULL)", name="closed"),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    screw_id: Mapped[int] = mapped_column(ForeignKey("screw.id"), index=True)
    scan_id: Mapped[int] = mapped_column(ForeignKey("scan.id"), index=True)
    reading_id: Mapped[int] = mapped_column(ForeignKey("reading.id"), unique=True)
    rule_met: Mapped[str] = mapped_column(String(300))
    policy_words: Mapped[str] = mapped_column(Text)
    raised_at: Mapped[datetime] = mapped_column(Instant)
    is_followed: Mapped[bool | None]
    told_whom: Mapped[str | None] = mapped_column(String(200))
    told_at: Mapped[datetime | None] = mapped_column(Instant)
    told_how: Mapped[str | None] = mapped_column(String(200))
    not_followed_reason: Mapped[str | None] = mapped_column(String(500))
    answered_by_id: Mapped[int | None] = mapped_column(ForeignKey("account.id"), index=True)
    answered_at: Mapped[datetime | None] = mapped_column(Instant)
    closed_by_id: Mapped[int | None] = mapped_column(ForeignKey("account.id"), index=True)
    closed_at: Mapped[datetime | None] = mapped_column(Instant)
    closing_words: Mapped[str | None] = mapped_column(String(1000))
    version: Mapped[int]
