"""What a research extract is counted from: a row a placed screw, without day, name or reference."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.directions import Direction
from registry.domain.readings import ReadingRole
from registry.domain.techniques import COUNTED_LIVES
from registry.store.models.cases import Case, Screw
from registry.store.models.readings import ConsensusRow, Reading
from registry.store.queries.counted_screws import audit_scans
from registry.store.visible import visible_cases, visible_readings

if TYPE_CHECKING:
    from collections.abc import Mapping
    from decimal import Decimal

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer


@dataclass(frozen=True)
class ResearchScrew:
    """One placed screw.

    Attributes
    ----------
    patient_id, surgeon_id : to count and to code by; they leave the ledger in no form
    year : of the operation
    is_imaged : its case has an audit scan
    not_assessable_reason : of the first reading there, where the screw could not be read
    extents_mm : None where nobody has read the screw on the audit scan
    is_second_read : a second reading or an adjudication was made there
    """

    patient_id: int
    surgeon_id: int
    year: int
    level: str
    entry_technique: str
    guidance: str
    is_revision: bool | None
    body_mass_index: Decimal | None
    no_scan_reason: str | None
    is_imaged: bool
    is_assessable: bool
    not_assessable_reason: str | None
    extents_mm: Mapping[Direction, Decimal | None] | None
    is_second_read: bool


def research_screws(
    session: Session, viewer: Viewer, window_days: tuple[int, int]
) -> list[ResearchScrew]:
    """Return the placed screws of the cases that a viewer may see."""
    audit = audit_scans(session, window_days)
    cases = visible_cases(viewer).with_only_columns(Case.id)
    roles, reasons = _readings(session, viewer)
    found = {
        (row.screw_id, row.scan_id): row for row in session.execute(select(ConsensusRow)).scalars()
    }
    screws = []
    for screw, case in session.execute(
        select(Screw, Case)
        .join(Case, Case.id == Screw.case_id)
        .where(Case.id.in_(cases), Screw.life.in_([life.value for life in COUNTED_LIVES]))
        .order_by(Screw.id)
    ):
        on_scan = (screw.id, audit.get(case.id, 0))
        read = found.get(on_scan)
        screws.append(
            ResearchScrew(
                patient_id=case.patient_id,
                surgeon_id=case.surgeon_id,
                year=case.operated_on.year,
                level=screw.level,
                entry_technique=screw.entry_technique,
                guidance=screw.guidance,
                is_revision=case.is_revision,
                body_mass_index=case.body_mass_index,
                no_scan_reason=case.no_scan_reason,
                is_imaged=case.id in audit,
                is_assessable=read is None or read.is_assessable,
                not_assessable_reason=reasons.get(on_scan),
                extents_mm=None
                if read is None
                else {wall: getattr(read, f"{wall}_mm") for wall in Direction},
                is_second_read=bool(
                    roles[on_scan] & {ReadingRole.SECOND.value, ReadingRole.ADJUDICATION.value}
                ),
            )
        )
    return screws


def _readings(
    session: Session, viewer: Viewer
) -> tuple[dict[tuple[int, int], set[str]], dict[tuple[int, int], str]]:
    """Return the roles read of each screw on each scan, and why it could not be read."""
    roles: dict[tuple[int, int], set[str]] = defaultdict(set)
    reasons: dict[tuple[int, int], str] = {}
    for reading in session.execute(visible_readings(viewer).order_by(Reading.id)).scalars():
        on_scan = (reading.screw_id, reading.scan_id)
        roles[on_scan].add(reading.role)
        if reading.not_assessable_reason is not None:
            reasons[on_scan] = reading.not_assessable_reason
    return roles, reasons
