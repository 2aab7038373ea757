"""Scans of a case, and the write-once images behind those that are held here."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import CheckConstraint, ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from registry.domain.scans import ScanKind, ScanReason
from registry.store.columns import Instant
from registry.store.models.base import Tracked, one_of


class HeldImage(Tracked):
    """An image in the image store, named by the digest of its bytes; gone once it is removed."""

    __tablename__ = "image"

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    added_at: Mapped[datetime] = mapped_column(Instant)
    removed_at: Mapped[datetime | None] = mapped_column(Instant)
    version: Mapped[int]


class Scan(Tracked):
    """One set of images of a case; without an image it is held elsewhere."""

    __tablename__ = "scan"
    __table_args__ = (
        UniqueConstraint("case_id", "scanned_on", "kind"),
        CheckConstraint(one_of("kind", ScanKind), name="kind"),
        CheckConstraint(one_of("reason", ScanReason), name="reason"),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    case_id: Mapped[int] = mapped_column(ForeignKey("operation.id"))
    scanned_on: Mapped[date]
    kind: Mapped[str] = mapped_column(String(30))
    reason: Mapped[str] = mapped_column(String(20))
    image_id: Mapped[int | None] = mapped_column(ForeignKey("image.id"), index=True)
    is_adequate: Mapped[bool]
    warnings: Mapped[str] = mapped_column(Text)
    matched_by_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    series_hash: Mapped[str | None] = mapped_column(String(64), unique=True)
    version: Mapped[int]
