"""The right of reply: a quarter's round, each surgeon's answer, and the re-readings asked for."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import ForeignKey, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from registry.store.columns import Instant
from registry.store.models.base import Tracked


class ReplyRound(Tracked):
    """A quarter laid before its surgeons, until and including a day."""

    __tablename__ = "reply_round"

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    period: Mapped[str] = mapped_column(String(10), unique=True)
    opened_at: Mapped[datetime] = mapped_column(Instant)
    opened_by_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    closes_on: Mapped[date]
    version: Mapped[int]


class ReplyAnswer(Tracked):
    """A surgeon's word that they have looked at their own data of a quarter."""

    __tablename__ = "reply_answer"
    __table_args__ = (UniqueConstraint("round_id", "person_id"),)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    round_id: Mapped[int] = mapped_column(ForeignKey("reply_round.id"))
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    words: Mapped[str | None] = mapped_column(String(2000))
    answered_by_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    answered_at: Mapped[datetime] = mapped_column(Instant)
    version: Mapped[int]


class Rereading(Tracked):
    """A screw to be read again blind: asked for by a surgeon, or drawn at random to cover it."""

    __tablename__ = "rereading"
    __table_args__ = (UniqueConstraint("round_id", "screw_id", "scan_id"),)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    round_id: Mapped[int] = mapped_column(ForeignKey("reply_round.id"))
    screw_id: Mapped[int] = mapped_column(ForeignKey("screw.id"), index=True)
    scan_id: Mapped[int] = mapped_column(ForeignKey("scan.id"), index=True)
    assignment_id: Mapped[int] = mapped_column(ForeignKey("assignment.id"), unique=True)
    asked_by_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"), index=True)
    words: Mapped[str | None] = mapped_column(String(1000))
    seed: Mapped[str | None] = mapped_column(String(64))
    asked_at: Mapped[datetime] = mapped_column(Instant)
    version: Mapped[int]
