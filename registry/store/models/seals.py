"""What was said of a quarter before its seal, its seal, and the supplements after it."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from registry.store.columns import Instant, Secret
from registry.store.models.base import Tracked


class QuarterRemark(Tracked):
    """A comment on a quarter, or the countersignature of its numbers, named by their digest."""

    __tablename__ = "quarter_remark"
    __table_args__ = (
        CheckConstraint("kind IN ('comment', 'countersignature')", name="kind"),
        CheckConstraint("(kind = 'comment') = (numbers_digest IS NULL)", name="digest"),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    period: Mapped[str] = mapped_column(String(10), index=True)
    kind: Mapped[str] = mapped_column(String(20))
    words: Mapped[str | None] = mapped_column(String(2000))
    numbers_digest: Mapped[str | None] = mapped_column(String(64))
    made_by_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    made_at: Mapped[datetime] = mapped_column(Instant)
    version: Mapped[int]


class QuarterSeal(Tracked):
    """A quarter's seal, part 0, and each supplement to it.

    `manifest` and `signature` are those of the file that left; `numbers` and `records` are the
    canonical JSON that was sealed, for comparing. The trail names both by their digests, since
    they are long. `is_kept` says that the file is in the store of sealed quarters, under its
    digest; those from before there was one have none.
    """

    __tablename__ = "quarter_seal"
    __table_args__ = (
        UniqueConstraint("period", "part"),
        CheckConstraint("part >= 0", name="part"),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    period: Mapped[str] = mapped_column(String(10))
    part: Mapped[int]
    file_digest: Mapped[str] = mapped_column(String(64))
    manifest: Mapped[str] = mapped_column(Text)
    signature: Mapped[str] = mapped_column(String(128))
    numbers: Mapped[str] = mapped_column(Secret)
    records: Mapped[str] = mapped_column(Secret)
    sealed_by_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    countersigned_by_id: Mapped[int | None] = mapped_column(ForeignKey("account.id"), index=True)
    sealed_at: Mapped[datetime] = mapped_column(Instant)
    is_kept: Mapped[bool | None]
    version: Mapped[int]
