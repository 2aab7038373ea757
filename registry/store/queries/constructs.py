"""Cases as a surgeon or the lead looks at them: the construct, its scans, what was found."""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.checks import ScrewFacts, Warned, case_warnings
from registry.domain.directions import Direction
from registry.domain.levels import level
from registry.domain.problems import NotFoundError
from registry.domain.scans import ScanFacts, ScanKind, ScanReason, why_not_counted
from registry.domain.techniques import COUNTED_LIVES, EntryTechnique, Intention, Life
from registry.store.models.cases import Case, Screw
from registry.store.models.patients import Patient
from registry.store.models.people import Person
from registry.store.models.readings import ConsensusRow
from registry.store.models.scans import HeldImage, Scan
from registry.store.models.unit import CaseSeen
from registry.store.queries.counted_screws import EXTENT_COLUMNS, audit_scans
from registry.store.queries.imaged import imaged_since
from registry.store.visible import visible_cases

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime
    from decimal import Decimal

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer


@dataclass(frozen=True)
class Found:
    """What the readings of a screw on the audit scan come to."""

    state: str
    is_provisional: bool
    is_assessable: bool
    extents_mm: Mapping[Direction, Decimal | None]


@dataclass(frozen=True)
class ScrewInCase:
    """One screw and what was found; `found` is None where it has not been read."""

    screw_id: int
    level: str
    side: str
    number: int
    entry_technique: str
    guidance: str
    operator: str | None
    diameter_mm: Decimal | None
    length_mm: Decimal | None
    life: str
    intention: str | None
    intended_at: datetime | None
    found: Found | None


@dataclass(frozen=True)
class ScanInCase:
    """One scan of a case; `why_not` says why the case is not counted on it, else ''.

    `notes` is what is to be known of it, in words: thick slices, a patient confirmed, sides.
    """

    scan_id: int
    scanned_on: date
    kind: str
    reason: str
    is_held_here: bool
    is_audit_scan: bool
    why_not: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class CaseInFull:
    """One case with its construct, cranial on top.

    Attributes
    ----------
    withdrawn_at : when its patient was withdrawn, or None
    """

    case_id: int
    reference: str
    operated_on: date
    surgeon: str
    indication: str | None
    no_scan_reason: str | None
    screws: Sequence[ScrewInCase]
    scans: Sequence[ScanInCase]
    warnings: Sequence[Warned]
    withdrawn_at: datetime | None

    @property
    def placed(self) -> int:
        """How many screws were placed."""
        return sum(screw.life in COUNTED_LIVES for screw in self.screws)

    @property
    def is_imaged(self) -> bool:
        """Whether the case has an audit scan."""
        return any(scan.is_audit_scan for scan in self.scans)

    @property
    def read(self) -> int:
        """How many placed screws have been read on the audit scan."""
        return sum(screw.found is not None for screw in self.screws if screw.life in COUNTED_LIVES)


def cases_in_full(
    session: Session, viewer: Viewer, window_days: tuple[int, int], case_id: int | None = None
) -> list[CaseInFull]:
    """Return the cases that a viewer may look at, the latest first; all, or one."""
    query = visible_cases(viewer).order_by(Case.operated_on.desc(), Case.id.desc())
    if case_id is not None:
        query = query.where(Case.id == case_id)
    cases = list(session.execute(query).scalars())
    names = {row[0]: row[1] for row in session.execute(select(Person.id, Person.name))}
    audit = audit_scans(session, window_days)
    screws = _screws(session, names, audit, case_id)
    imaged = imaged_since(session, case_id)
    scans = _scans(session, audit, window_days, case_id)
    withdrawn = {
        row[0]: row[1]
        for row in session.execute(
            select(Patient.id, Patient.withdrawn_at).where(Patient.withdrawn_at.is_not(None))
        )
    }
    return [
        CaseInFull(
            case_id=case.id,
            reference=case.reference,
            operated_on=case.operated_on,
            surgeon=names[case.surgeon_id],
            indication=case.indication,
            no_scan_reason=case.no_scan_reason,
            screws=screws[case.id],
            scans=scans[case.id],
            warnings=case_warnings(
                [_facts(screw) for screw in screws[case.id]], imaged.get(case.id)
            ),
            withdrawn_at=withdrawn.get(case.patient_id),
        )
        for case in cases
    ]


def case_in_full(
    session: Session, viewer: Viewer, window_days: tuple[int, int], case_id: int
) -> CaseInFull:
    """Return one case; NotFoundError where it is not there, or not the viewer's to see."""
    found = cases_in_full(session, viewer, window_days, case_id)
    if not found:
        raise NotFoundError("there is no such case among those you may see")
    return found[0]


def has_seen(session: Session, viewer: Viewer, case_id: int) -> bool:
    """Return whether this account has looked at a case; NotFoundError where it may not."""
    case = visible_cases(viewer).where(Case.id == case_id).with_only_columns(Case.id)
    if session.execute(case).first() is None:
        raise NotFoundError("there is no such case among those you may see")
    seen = select(CaseSeen.id).where(
        CaseSeen.case_id == case_id, CaseSeen.account_id == viewer.account_id
    )
    return session.execute(seen).first() is not None


def _facts(screw: ScrewInCase) -> ScrewFacts:
    known = {member.value: member for member in EntryTechnique}
    return ScrewFacts(
        screw.level,
        screw.side,
        screw.number,
        known.get(screw.entry_technique, EntryTechnique.OTHER),
        Life(screw.life),
        screw.diameter_mm,
        screw.length_mm,
        None if screw.intention is None else Intention(screw.intention),
        screw.intended_at,
    )


def _screws(
    session: Session, names: Mapping[int, str], audit: Mapping[int, int], case_id: int | None
) -> dict[int, list[ScrewInCase]]:
    results: dict[tuple[int, int], Found] = {}
    consensus = select(
        ConsensusRow.screw_id,
        ConsensusRow.scan_id,
        ConsensusRow.state,
        ConsensusRow.is_provisional,
        ConsensusRow.is_assessable,
        *EXTENT_COLUMNS,
    )
    query = select(Screw)
    if case_id is not None:
        query = query.where(Screw.case_id == case_id)
        mine = select(Screw.id).where(Screw.case_id == case_id)
        consensus = consensus.where(ConsensusRow.screw_id.in_(mine))
    for row in session.execute(consensus):
        extents = dict(zip(Direction, row[5:], strict=True))
        results[row[0], row[1]] = Found(row[2], row[3], row[4], extents)
    screws: dict[int, list[ScrewInCase]] = defaultdict(list)
    for screw in session.execute(query).scalars():
        screws[screw.case_id].append(
            ScrewInCase(
                screw_id=screw.id,
                level=screw.level,
                side=screw.side,
                number=screw.number,
                entry_technique=screw.technique_words or screw.entry_technique,
                guidance=screw.guidance,
                operator=None if screw.operator_id is None else names[screw.operator_id],
                diameter_mm=screw.diameter_mm,
                length_mm=screw.length_mm,
                life=screw.life,
                intention=screw.intention,
                intended_at=screw.intention_recorded_at,
                found=results.get((screw.id, audit.get(screw.case_id, 0))),
            )
        )
    for listed in screws.values():
        listed.sort(key=lambda screw: (level(screw.level).order, screw.side, screw.number))
    return screws


def _scans(
    session: Session,
    audit: Mapping[int, int],
    window_days: tuple[int, int],
    case_id: int | None,
) -> dict[int, list[ScanInCase]]:
    query = (
        select(Scan, Case.operated_on, HeldImage.id)
        .join(Case, Case.id == Scan.case_id)
        .outerjoin(HeldImage, (HeldImage.id == Scan.image_id) & HeldImage.removed_at.is_(None))
        .order_by(Scan.scanned_on, Scan.id)
    )
    if case_id is not None:
        query = query.where(Scan.case_id == case_id)
    scans: dict[int, list[ScanInCase]] = defaultdict(list)
    for scan, operated_on, image_id in session.execute(query):
        is_counted_on = audit.get(scan.case_id) == scan.id
        facts = ScanFacts(
            scan.id,
            scan.scanned_on,
            ScanKind(scan.kind),
            ScanReason(scan.reason),
            scan.is_adequate,
        )
        why_not = why_not_counted(facts, operated_on, window_days) or "another that fits is earlier"
        scans[scan.case_id].append(
            ScanInCase(
                scan_id=scan.id,
                scanned_on=scan.scanned_on,
                kind=scan.kind,
                reason=scan.reason,
                is_held_here=image_id is not None,
                is_audit_scan=is_counted_on,
                why_not="" if is_counted_on else why_not,
                notes=tuple(json.loads(scan.warnings)),
            )
        )
    return scans
