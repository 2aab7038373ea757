"""What the trail keeps of the unit itself: its settings, and who has looked at which case."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from registry.store.columns import Instant
from registry.store.models.base import Tracked


class UnitSettings(Tracked):
    """The settings that numbers depend on, as JSON; one row, rewritten when they change."""

    __tablename__ = "unit_settings"
    __table_args__ = (CheckConstraint("id = 1", name="one_row"),)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    written: Mapped[str] = mapped_column(Text)
    version: Mapped[int]


class CaseSeen(Tracked):
    """An account has looked at a case with its surgeon and technique: it cannot read it blind."""

    __tablename__ = "case_seen"
    __table_args__ = (UniqueConstraint("case_id", "account_id"),)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    case_id: Mapped[int] = mapped_column(ForeignKey("operation.id"))
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    seen_at: Mapped[datetime] = mapped_column(Instant)
    version: Mapped[int]
