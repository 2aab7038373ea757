"""What the ledger knows already of the scans and readings that a table names."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from registry.domain.directions import Direction
from registry.store.models.readings import Reading
from registry.store.models.scans import Scan

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from sqlalchemy.orm import Session

_COLUMNS = (
    "reader_id",
    "read_on",
    "is_assessable",
    "not_assessable_reason",
    "method",
    *(f"{wall}_mm" for wall in Direction),
    *(f"{wall}_sd_mm" for wall in Direction),
    "convergence_deg",
    "sagittal_deg",
)


@dataclass(frozen=True)
class KnownScan:
    """A scan as it stands."""

    scan_id: int
    reason: str


@dataclass(frozen=True)
class KnownReading:
    """A reading as it was first made."""

    values: Mapping[str, Any]


def known_scans(session: Session) -> dict[tuple[int, date, str], KnownScan]:
    """Return every scan by case, day and kind."""
    rows = session.execute(select(Scan.case_id, Scan.scanned_on, Scan.kind, Scan.id, Scan.reason))
    return {(row[0], row[1], row[2]): KnownScan(row[3], row[4]) for row in rows}


def known_readings(session: Session) -> dict[tuple[int, int, str], KnownReading]:
    """Return the first reading of each role by screw, scan and role."""
    columns = [getattr(Reading, name) for name in _COLUMNS]
    rows = session.execute(
        select(Reading.screw_id, Reading.scan_id, Reading.role, *columns).where(
            Reading.supersedes_id.is_(None)
        )
    )
    return {
        (row[0], row[1], row[2]): KnownReading(dict(zip(_COLUMNS, row[3:], strict=True)))
        for row in rows
    }
