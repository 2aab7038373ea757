"""Cases and their screws."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import CheckConstraint, ForeignKey, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from registry.domain.directions import Side
from registry.domain.techniques import Approach, Guidance, Intention, Life, NoScanReason
from registry.store.columns import Instant, Tenths
from registry.store.models.base import Tracked, one_of


class Case(Tracked):
    """One operation on one patient."""

    __tablename__ = "operation"
    __table_args__ = (
        CheckConstraint(one_of("approach", Approach), name="approach"),
        CheckConstraint(one_of("no_scan_reason", NoScanReason), name="no_scan_reason"),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    reference: Mapped[str] = mapped_column(String(64), unique=True)
    patient_id: Mapped[int] = mapped_column(ForeignKey("patient.id"), index=True)
    operated_on: Mapped[date] = mapped_column(index=True)
    surgeon_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    second_surgeon_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"), index=True)
    indication: Mapped[str | None] = mapped_column(String(200))
    is_revision: Mapped[bool | None]
    cobb_deg: Mapped[Decimal | None] = mapped_column(Tenths)
    body_mass_index: Mapped[Decimal | None] = mapped_column(Tenths)
    bone_quality: Mapped[str | None] = mapped_column(String(200))
    approach: Mapped[str | None] = mapped_column(String(20))
    no_scan_reason: Mapped[str | None] = mapped_column(String(20))
    entered_by_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    source_name: Mapped[str | None] = mapped_column(String(200))
    source_row: Mapped[int | None]
    version: Mapped[int]


class CaseAssistant(Tracked):
    """A person who assisted at a case."""

    __tablename__ = "case_assistant"
    __table_args__ = (UniqueConstraint("case_id", "person_id"),)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    case_id: Mapped[int] = mapped_column(ForeignKey("operation.id"))
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    version: Mapped[int]


class Screw(Tracked):
    """One screw: case, level, side, number."""

    __tablename__ = "screw"
    __table_args__ = (
        UniqueConstraint("case_id", "level", "side", "number"),
        CheckConstraint(one_of("side", Side), name="side"),
        CheckConstraint("number BETWEEN 1 AND 9", name="number"),
        CheckConstraint("diameter_mm BETWEEN 1 AND 200", name="diameter"),
        CheckConstraint("length_mm BETWEEN 1 AND 2000", name="length"),
        CheckConstraint(one_of("guidance", Guidance), name="guidance"),
        CheckConstraint(one_of("life", Life), name="life"),
        CheckConstraint(one_of("intention", Intention), name="intention"),
        CheckConstraint("curve_side IN ('concave', 'convex')", name="curve_side"),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    case_id: Mapped[int] = mapped_column(ForeignKey("operation.id"))
    level: Mapped[str] = mapped_column(String(20))
    side: Mapped[str] = mapped_column(String(1))
    number: Mapped[int]
    entry_technique: Mapped[str] = mapped_column(String(50))
    technique_words: Mapped[str | None] = mapped_column(String(200))
    guidance: Mapped[str] = mapped_column(String(30))
    operator_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"), index=True)
    operator_grade: Mapped[str | None] = mapped_column(String(100))
    supervision: Mapped[str | None] = mapped_column(String(200))
    diameter_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    length_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    alloy: Mapped[str | None] = mapped_column(String(100))
    curve_side: Mapped[str | None] = mapped_column(String(10))
    is_at_apex: Mapped[bool | None]
    intention: Mapped[str | None] = mapped_column(String(20))
    intention_recorded_at: Mapped[datetime | None] = mapped_column(Instant)
    implant_identifier: Mapped[str | None] = mapped_column(String(300))
    life: Mapped[str] = mapped_column(String(20))
    first_track: Mapped[str | None] = mapped_column(String(300))
    replaces_id: Mapped[int | None] = mapped_column(ForeignKey("screw.id"), index=True)
    source_row: Mapped[int | None]
    version: Mapped[int]
