"""The append-only trail and its head."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from registry.store.models.base import Base


class EventRow(Base):
    """One event; every column is text so that the stored bytes are the sealed bytes."""

    __tablename__ = "event"

    sequence: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    at: Mapped[str] = mapped_column(String(27))
    actor: Mapped[str] = mapped_column(String(120))
    verb: Mapped[str] = mapped_column(String(60))
    record: Mapped[str] = mapped_column(String(60), index=True)
    before: Mapped[str] = mapped_column(Text)
    after: Mapped[str] = mapped_column(Text)
    reason: Mapped[str] = mapped_column(Text)
    previous: Mapped[str] = mapped_column(String(64))
    digest: Mapped[str] = mapped_column(String(64))


class TrailHead(Base):
    """The trail's length and last digest, sealed; one row, whose lock every writer takes."""

    __tablename__ = "trail_head"
    __table_args__ = (CheckConstraint("id = 1", name="one_row"),)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    length: Mapped[int]
    head: Mapped[str] = mapped_column(String(64))
    seal: Mapped[str] = mapped_column(String(64))
