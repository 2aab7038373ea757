"""Why cases were imaged, or were not, and when their counted readings were made; unlabelled.

No viewer is asked here: who may see which surgeon's cases is decided by the actions that call it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.scans import ScanReason
from registry.store.models.cases import Case
from registry.store.models.readings import ConsensusRow, Reading
from registry.store.models.scans import Scan
from registry.store.queries.counted_screws import audit_scans

if TYPE_CHECKING:
    from datetime import date

    from sqlalchemy.orm import Session


def imaging_reasons(session: Session, window_days: tuple[int, int]) -> dict[int, str]:
    """Return, for every case, the reason of its audit scan, or why it has none, in words."""
    chosen = audit_scans(session, window_days)
    scanned: dict[int, set[str]] = {}
    reasons: dict[int, str] = {}
    for scan in session.execute(select(Scan.id, Scan.case_id, Scan.reason)):
        scanned.setdefault(scan.case_id, set()).add(scan.reason)
        if chosen.get(scan.case_id) == scan.id:
            reasons[scan.case_id] = (
                "reason not stated" if scan.reason == ScanReason.NOT_STATED else scan.reason
            )
    for case, no_scan in session.execute(select(Case.id, Case.no_scan_reason)):
        if case not in reasons:
            reasons[case] = _without(scanned.get(case, set()), no_scan)
    return reasons


def _without(scanned: set[str], no_scan: str | None) -> str:
    """Return why a case has no audit scan."""
    if ScanReason.SYMPTOMS in scanned:
        return "none but for symptoms"
    if scanned:
        return "none that counts"
    return f"none: {no_scan}" if no_scan else "none, not said why"


def last_read_days(session: Session, window_days: tuple[int, int]) -> dict[int, date]:
    """Return the day of the latest reading that counts, of every screw read on its audit scan."""
    scans = set(audit_scans(session, window_days).values())
    read_on = {row.id: row.read_on for row in session.execute(select(Reading.id, Reading.read_on))}
    days: dict[int, date] = {}
    for row in session.execute(
        select(ConsensusRow.screw_id, ConsensusRow.scan_id, ConsensusRow.reading_ids)
    ):
        if row.scan_id in scans and row.reading_ids:
            days[row.screw_id] = max(read_on[int(each)] for each in row.reading_ids.split(","))
    return days
