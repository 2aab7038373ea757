"""Readings, who owes which, and what they come to."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, Text, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from registry.domain.consensus import ConsensusState
from registry.domain.directions import Direction
from registry.domain.readings import (
    Confidence,
    Method,
    NotAssessableReason,
    ProposalSeen,
    ReadingRole,
)
from registry.store.columns import Instant, Tenths
from registry.store.models.base import Tracked, one_of

EXTENT_LIMIT_TENTHS = 600


def _extent_checks() -> tuple[CheckConstraint, ...]:
    return tuple(
        CheckConstraint(f"{wall}_mm BETWEEN 0 AND {EXTENT_LIMIT_TENTHS}", name=f"{wall}_mm")
        for wall in Direction
    )


_NOTHING_MEASURED = " AND ".join(f"{wall}_mm IS NULL" for wall in Direction)


class _Extents:
    medial_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    lateral_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    cranial_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    caudal_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    anterior_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    body_lateral_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    endplate_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    bearing_deg: Mapped[Decimal | None] = mapped_column(Tenths)


class Reading(_Extents, Tracked):
    """One reader's measurement of one screw on one scan; never edited, only superseded."""

    __tablename__ = "reading"
    __table_args__ = (
        *_extent_checks(),
        CheckConstraint(one_of("role", ReadingRole), name="role"),
        CheckConstraint(one_of("method", Method), name="method"),
        CheckConstraint(one_of("confidence", Confidence), name="confidence"),
        CheckConstraint(one_of("proposal_seen", ProposalSeen), name="proposal_seen"),
        CheckConstraint(one_of("not_assessable_reason", NotAssessableReason), name="reason"),
        CheckConstraint(
            "(is_assessable AND not_assessable_reason IS NULL) OR (NOT is_assessable AND "
            f"not_assessable_reason IS NOT NULL AND {_NOTHING_MEASURED})",
            name="assessable",
        ),
        Index(
            "uq_reading_first_of_its_role",
            "screw_id",
            "scan_id",
            "role",
            unique=True,
            sqlite_where=text("supersedes_id IS NULL"),
            postgresql_where=text("supersedes_id IS NULL"),
        ),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    screw_id: Mapped[int] = mapped_column(ForeignKey("screw.id"), index=True)
    scan_id: Mapped[int] = mapped_column(ForeignKey("scan.id"), index=True)
    reader_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    recorded_by_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    role: Mapped[str] = mapped_column(String(20))
    read_on: Mapped[date]
    recorded_at: Mapped[datetime] = mapped_column(Instant)
    is_assessable: Mapped[bool]
    not_assessable_reason: Mapped[str | None] = mapped_column(String(20))
    method: Mapped[str] = mapped_column(String(20))
    medial_sd_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    lateral_sd_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    cranial_sd_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    caudal_sd_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    anterior_sd_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    body_lateral_sd_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    endplate_sd_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    convergence_deg: Mapped[Decimal | None] = mapped_column(Tenths)
    sagittal_deg: Mapped[Decimal | None] = mapped_column(Tenths)
    confidence: Mapped[str | None] = mapped_column(String(20))
    note: Mapped[str | None] = mapped_column(String(2000))
    is_blind: Mapped[bool]
    marks: Mapped[str | None] = mapped_column(Text)
    seconds_spent: Mapped[int | None]
    assignment_id: Mapped[int | None] = mapped_column(ForeignKey("assignment.id"), index=True)
    source_name: Mapped[str | None] = mapped_column(String(200))
    source_row: Mapped[int | None]
    supersedes_id: Mapped[int | None] = mapped_column(ForeignKey("reading.id"), unique=True)
    superseded_reason: Mapped[str | None] = mapped_column(String(500))
    proposal_seen: Mapped[str | None] = mapped_column(String(20))


class Draw(Tracked):
    """A recorded seed from which the random share of second readings is drawn."""

    __tablename__ = "draw"
    __table_args__ = (CheckConstraint("share_percent BETWEEN 0 AND 1000", name="share"),)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    period: Mapped[str] = mapped_column(String(10), unique=True)
    seed: Mapped[str] = mapped_column(String(64))
    share_percent: Mapped[Decimal] = mapped_column(Tenths)
    made_at: Mapped[datetime] = mapped_column(Instant)
    version: Mapped[int]


class Assignment(Tracked):
    """A reading that is owed; fulfilled once a reading names it.

    One that is to replace a reading names that reading; one that is owed no longer is closed.
    """

    __tablename__ = "assignment"
    __table_args__ = (
        CheckConstraint(one_of("role", ReadingRole), name="role"),
        Index(
            "uq_assignment_first_of_its_role",
            "screw_id",
            "scan_id",
            "role",
            unique=True,
            sqlite_where=text("supersedes_id IS NULL"),
            postgresql_where=text("supersedes_id IS NULL"),
        ),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    screw_id: Mapped[int] = mapped_column(ForeignKey("screw.id"))
    scan_id: Mapped[int] = mapped_column(ForeignKey("scan.id"), index=True)
    role: Mapped[str] = mapped_column(String(20))
    reader_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"), index=True)
    draw_id: Mapped[int | None] = mapped_column(ForeignKey("draw.id"), index=True)
    reason: Mapped[str] = mapped_column(String(100))
    made_at: Mapped[datetime] = mapped_column(Instant)
    supersedes_id: Mapped[int | None] = mapped_column(
        ForeignKey("reading.id", use_alter=True), unique=True
    )
    closed_at: Mapped[datetime | None] = mapped_column(Instant)
    closed_reason: Mapped[str | None] = mapped_column(String(500))
    version: Mapped[int]


class ConsensusRow(_Extents, Tracked):
    """What the readings of a screw on a scan come to; written by one pure function."""

    __tablename__ = "consensus"
    __table_args__ = (
        *_extent_checks(),
        UniqueConstraint("screw_id", "scan_id"),
        CheckConstraint(one_of("state", ConsensusState), name="state"),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    screw_id: Mapped[int] = mapped_column(ForeignKey("screw.id"))
    scan_id: Mapped[int] = mapped_column(ForeignKey("scan.id"), index=True)
    state: Mapped[str] = mapped_column(String(40))
    is_provisional: Mapped[bool]
    is_assessable: Mapped[bool]
    reading_ids: Mapped[str] = mapped_column(Text)
    rule_version: Mapped[str] = mapped_column(String(10))
    version: Mapped[int]
