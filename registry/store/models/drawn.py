"""Drawn scans whose truth is known, and the copies of them that readers are given to read.

A copy is an ordinary case with its screws, scan and readings, so that it is read like any other.
It is none of the unit's: `registry/store/apart.py` keeps it out of every question but a reader's
own and those that ask about known truth.
"""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from sqlalchemy import CheckConstraint, ForeignKey, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from registry.domain.directions import Direction, Side
from registry.domain.known_truth import Purpose
from registry.store.columns import Instant, Tenths
from registry.store.models.base import Tracked, one_of

_WALLS = " AND ".join(f"{wall}_mm BETWEEN 0 AND 600" for wall in Direction)


class DrawnScan(Tracked):
    """A drawn scan: its picture, and what it was drawn from.

    `seed` and `drawing` (the drawing code's own version) draw the same scan again.
    """

    __tablename__ = "drawn_scan"
    __table_args__ = (CheckConstraint(one_of("purpose", Purpose), name="purpose"),)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    image_id: Mapped[int] = mapped_column(ForeignKey("image.id"), unique=True)
    purpose: Mapped[str] = mapped_column(String(20))
    seed: Mapped[int]
    drawing: Mapped[str] = mapped_column(String(20))
    drawn_at: Mapped[datetime] = mapped_column(Instant)
    version: Mapped[int]


class DrawnScrew(Tracked):
    """One screw of a drawn scan and its truth; a wall without a truth is empty.

    Points are of the shank's axis, LPS, hundredths of a millimetre as text `x y z`.
    """

    __tablename__ = "drawn_screw"
    __table_args__ = (
        UniqueConstraint("drawn_scan_id", "level", "side", "number"),
        CheckConstraint(one_of("side", Side), name="side"),
        CheckConstraint(_WALLS, name="walls"),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    drawn_scan_id: Mapped[int] = mapped_column(ForeignKey("drawn_scan.id"))
    level: Mapped[str] = mapped_column(String(20))
    side: Mapped[str] = mapped_column(String(1))
    number: Mapped[int]
    diameter_mm: Mapped[Decimal] = mapped_column(Tenths)
    length_mm: Mapped[Decimal] = mapped_column(Tenths)
    entry: Mapped[str] = mapped_column(String(60))
    tip: Mapped[str] = mapped_column(String(60))
    medial_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    lateral_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    cranial_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    caudal_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    anterior_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    body_lateral_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    endplate_mm: Mapped[Decimal | None] = mapped_column(Tenths)
    version: Mapped[int]


class DrawnCase(Tracked):
    """One reader's copy of a drawn scan: the case, scan, patient and surgeon that stand for it."""

    __tablename__ = "drawn_case"
    __table_args__ = (UniqueConstraint("drawn_scan_id", "reader_id"),)

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    drawn_scan_id: Mapped[int] = mapped_column(ForeignKey("drawn_scan.id"))
    reader_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    case_id: Mapped[int] = mapped_column(ForeignKey("operation.id"), unique=True)
    scan_id: Mapped[int] = mapped_column(ForeignKey("scan.id"), unique=True)
    patient_id: Mapped[int] = mapped_column(ForeignKey("patient.id"), unique=True)
    surgeon_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    version: Mapped[int]
