"""The screws that the audit counts, unlabelled: what every rate is pooled from.

No viewer is asked here, because what is pooled is the same whoever asks; who may see which
stratum is decided by `actions.count`, the one caller.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from registry.domain.checks import is_late
from registry.domain.directions import Direction
from registry.domain.scans import ScanFacts, ScanKind, ScanReason, audit_scan
from registry.domain.techniques import COUNTED_LIVES
from registry.store.models.cases import Case, CaseAssistant, Screw
from registry.store.models.patients import Patient
from registry.store.models.readings import ConsensusRow
from registry.store.models.scans import Scan
from registry.store.queries.imaged import imaged_since

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date
    from decimal import Decimal

    from sqlalchemy import Select
    from sqlalchemy.orm import Session

EXTENT_COLUMNS = tuple(getattr(ConsensusRow, f"{wall}_mm") for wall in Direction)


@dataclass(frozen=True)
class CountedScrew:
    """One placed screw and what its readings on the audit scan come to."""

    screw_id: int
    patient: str
    case_id: int
    operated_on: date
    level: str
    side: str
    number: int
    entry_technique: str
    guidance: str
    surgeon_id: int
    operator_id: int | None
    indication: str | None
    diameter_mm: Decimal | None
    is_revision: bool | None
    bone_quality: str | None
    body_mass_index: Decimal | None
    cobb_deg: Decimal | None
    curve_side: str | None
    life: str
    intention: str | None
    is_imaged: bool
    is_provisional: bool
    extents_mm: Mapping[Direction, Decimal | None]


def audit_scans(session: Session, window_days: tuple[int, int]) -> dict[int, int]:
    """Return the audit scan of every case that has one."""
    scans: dict[int, list[ScanFacts]] = defaultdict(list)
    days: dict[int, date] = {}
    for row in session.execute(
        select(
            Scan.case_id,
            Scan.id,
            Scan.scanned_on,
            Scan.kind,
            Scan.reason,
            Scan.is_adequate,
            Case.operated_on,
        ).join(Case, Case.id == Scan.case_id)
    ):
        days[row.case_id] = row.operated_on
        scans[row.case_id].append(
            ScanFacts(
                row.id, row.scanned_on, ScanKind(row.kind), ScanReason(row.reason), row.is_adequate
            )
        )
    chosen = {case: audit_scan(found, days[case], window_days) for case, found in scans.items()}
    return {case: scan.scan_id for case, scan in chosen.items() if scan is not None}


def counted_screws(
    session: Session, window_days: tuple[int, int], until: date | None
) -> list[CountedScrew]:
    """Return every placed screw of the ledger operated on up to `until`, both ends included."""
    scans = audit_scans(session, window_days)
    results = _consensus(session)
    imaged = imaged_since(session)
    query = _placed()
    if until is not None:
        query = query.where(Case.operated_on <= until)
    screws = []
    for row in session.execute(query):
        scan = scans.get(row.case_id)
        result = results.get((row.id, scan)) if scan is not None else None
        is_intention_late = is_late(row.intention_recorded_at, imaged.get(row.case_id))
        screws.append(
            CountedScrew(
                screw_id=row.id,
                patient=row.pseudonym,
                case_id=row.case_id,
                operated_on=row.operated_on,
                level=row.level,
                side=row.side,
                number=row.number,
                entry_technique=row.technique_words or row.entry_technique,
                guidance=row.guidance,
                surgeon_id=row.surgeon_id,
                operator_id=row.operator_id,
                indication=row.indication,
                diameter_mm=row.diameter_mm,
                is_revision=row.is_revision,
                bone_quality=row.bone_quality,
                body_mass_index=row.body_mass_index,
                cobb_deg=row.cobb_deg,
                curve_side=row.curve_side,
                life=row.life,
                intention=None if is_intention_late else row.intention,
                is_imaged=scan is not None,
                is_provisional=result[0] if result else False,
                extents_mm=result[1] if result else {},
            )
        )
    return screws


def _placed() -> Select[*tuple[Any, ...]]:
    """Return the question for every placed screw with its case and its patient's pseudonym."""
    return (
        select(
            Screw.id,
            Screw.case_id,
            Screw.level,
            Screw.side,
            Screw.number,
            Screw.entry_technique,
            Screw.technique_words,
            Screw.guidance,
            Screw.operator_id,
            Screw.diameter_mm,
            Screw.curve_side,
            Screw.life,
            Screw.intention,
            Screw.intention_recorded_at,
            Case.operated_on,
            Case.surgeon_id,
            Case.indication,
            Case.is_revision,
            Case.bone_quality,
            Case.body_mass_index,
            Case.cobb_deg,
            Patient.pseudonym,
        )
        .join(Case, Case.id == Screw.case_id)
        .join(Patient, Patient.id == Case.patient_id)
        .where(Screw.life.in_([life.value for life in COUNTED_LIVES]))
        .order_by(Screw.id)
    )


def _consensus(
    session: Session,
) -> dict[tuple[int, int | None], tuple[bool, dict[Direction, Decimal | None]]]:
    rows = session.execute(
        select(
            ConsensusRow.screw_id,
            ConsensusRow.scan_id,
            ConsensusRow.is_provisional,
            *EXTENT_COLUMNS,
        ).where(ConsensusRow.is_assessable)
    )
    walls = tuple(Direction)
    return {(row[0], row[1]): (row[2], dict(zip(walls, row[3:], strict=True))) for row in rows}


def surgeons_with_placed(session: Session) -> frozenset[int]:
    """Return the responsible surgeons of whom `counted_screws` returns a screw."""
    placed = _placed().with_only_columns(Case.surgeon_id).order_by(None).distinct()
    return frozenset(session.scalars(placed))


def first_operation(session: Session) -> date | None:
    """Return the day of the ledger's first operation."""
    return session.scalar(select(func.min(Case.operated_on)))


def participants(session: Session) -> dict[int, frozenset[int]]:
    """Return who operated or assisted at each case."""
    found: dict[int, set[int]] = defaultdict(set)
    for case in session.execute(select(Case.id, Case.surgeon_id, Case.second_surgeon_id)):
        found[case[0]].update(person for person in case[1:] if person is not None)
    for assistant in session.execute(select(CaseAssistant.case_id, CaseAssistant.person_id)):
        found[assistant[0]].add(assistant[1])
    for operator in session.execute(select(Screw.case_id, Screw.operator_id)):
        if operator[1] is not None:
            found[operator[0]].add(operator[1])
    return {case: frozenset(people) for case, people in found.items()}
