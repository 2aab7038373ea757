"""How far each counted screw has come, and why a case has no audit scan; unlabelled.

No viewer is asked here: `actions.completeness` shows sums, to who may see them all.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.consensus import ConsensusState
from registry.domain.directions import Direction
from registry.domain.readings import ReadingRole
from registry.domain.scans import ScanKind, ScanReason
from registry.store.models.cases import Case, Screw
from registry.store.models.readings import ConsensusRow, Reading
from registry.store.models.scans import Scan
from registry.store.queries.counted_screws import EXTENT_COLUMNS, audit_scans

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from decimal import Decimal

    from sqlalchemy.orm import Session

FOR_SYMPTOMS = "CT made for symptoms alone"
INTRA_OPERATIVE = "intra-operative 3D imaging alone"
UNREADABLE = "CT said to be unreadable"
OUTSIDE_WINDOW = "CT outside the unit's window"
NOT_STATED = "no CT, reason not stated"


@dataclass(frozen=True)
class ScrewSteps:
    """What has been done about a screw on its audit scan.

    Attributes
    ----------
    is_read, is_second_read, is_adjudicated : there is such a reading, or it was decided
    not_assessable : why it cannot be read, None where it can or was not read
    """

    is_read: bool = False
    is_second_read: bool = False
    is_adjudicated: bool = False
    not_assessable: str | None = None


@dataclass(frozen=True)
class Steps:
    """Everything that is known of how far the screws are.

    Attributes
    ----------
    screws : by screw, where something was done
    unimaged : by case without an audit scan, why it has none
    symptom_mm : by screw of a case scanned for symptoms alone, the extents found on that scan
    """

    screws: Mapping[int, ScrewSteps] = field(default_factory=dict)
    unimaged: Mapping[int, str] = field(default_factory=dict)
    symptom_mm: Mapping[int, Mapping[Direction, Decimal | None]] = field(default_factory=dict)


def steps(session: Session, window_days: tuple[int, int]) -> Steps:
    """Return the steps of every screw, and why cases have no audit scan."""
    audit = audit_scans(session, window_days)
    of_case: dict[int, list[Scan]] = defaultdict(list)
    for scan in session.execute(select(Scan).order_by(Scan.scanned_on, Scan.id)).scalars():
        of_case[scan.case_id].append(scan)
    unimaged = {
        case: _why(of_case[case], said)
        for case, said in session.execute(select(Case.id, Case.no_scan_reason))
        if case not in audit
    }
    for_symptoms = {
        case: scan.id
        for case, why in unimaged.items()
        if why == FOR_SYMPTOMS
        for scan in [next(filter(_is_for_symptoms, of_case[case]))]
    }
    return Steps(
        screws=_screws(session, set(audit.values())),
        unimaged=unimaged,
        symptom_mm=_found_on(session, set(for_symptoms.values())),
    )


def _why(scans: Sequence[Scan], said: str | None) -> str:
    """Return why a case has no audit scan."""
    if any(_is_for_symptoms(scan) for scan in scans):
        return FOR_SYMPTOMS
    after = [scan for scan in scans if scan.kind != ScanKind.INTRA_OPERATIVE_3D]
    if any(not scan.is_adequate for scan in after):
        return UNREADABLE
    if after:
        return OUTSIDE_WINDOW
    if said:
        return f"no CT: {said}"
    return INTRA_OPERATIVE if scans else NOT_STATED


def _is_for_symptoms(scan: Scan) -> bool:
    return scan.reason == ScanReason.SYMPTOMS and scan.kind != ScanKind.INTRA_OPERATIVE_3D


def _screws(session: Session, audit: set[int]) -> dict[int, ScrewSteps]:
    second, reasons = set(), {}
    for screw, scan, role, number, why in session.execute(
        select(
            Reading.screw_id,
            Reading.scan_id,
            Reading.role,
            Reading.id,
            Reading.not_assessable_reason,
        )
    ):
        if scan in audit:
            reasons[number] = why
            if role == ReadingRole.SECOND:
                second.add(screw)
    found = {}
    for screw, scan, state, is_assessable, used in session.execute(
        select(
            ConsensusRow.screw_id,
            ConsensusRow.scan_id,
            ConsensusRow.state,
            ConsensusRow.is_assessable,
            ConsensusRow.reading_ids,
        )
    ):
        if scan in audit:
            said = [reasons.get(int(number)) for number in used.split(",")]
            found[screw] = ScrewSteps(
                is_read=True,
                is_second_read=screw in second,
                is_adjudicated=state == ConsensusState.ADJUDICATED,
                not_assessable=None if is_assessable else next(filter(None, said), "not stated"),
            )
    return found


def _found_on(session: Session, scans: set[int]) -> dict[int, Mapping[Direction, Decimal | None]]:
    query = (
        select(ConsensusRow.screw_id, ConsensusRow.scan_id, *EXTENT_COLUMNS)
        .join(Screw, Screw.id == ConsensusRow.screw_id)
        .join(Scan, Scan.id == ConsensusRow.scan_id)
        .where(ConsensusRow.is_assessable, Scan.reason == ScanReason.SYMPTOMS)
    )
    return {
        row[0]: dict(zip(Direction, row[2:], strict=True))
        for row in session.execute(query)
        if row[1] in scans
    }
