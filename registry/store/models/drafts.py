"""What readers have marked and typed and not saved yet. Outside the trail, and in no backup."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from registry.store.columns import Instant
from registry.store.models.base import Base


class ReadingDraft(Base):
    """One account's draft of one owed reading.

    Once the reading is saved `document` is empty, `save_key` is the key that it was saved under and
    `outcome` what was answered, as JSON: an answer that was lost on its way is given again.
    """

    __tablename__ = "reading_draft"

    assignment_id: Mapped[int] = mapped_column(
        ForeignKey("assignment.id"), primary_key=True, autoincrement=False
    )
    account_id: Mapped[int] = mapped_column(
        ForeignKey("account.id"), primary_key=True, autoincrement=False, index=True
    )
    document: Mapped[str] = mapped_column(Text)
    kept_at: Mapped[datetime] = mapped_column(Instant)
    save_key: Mapped[str | None] = mapped_column(String(64))
    outcome: Mapped[str | None] = mapped_column(Text)
