"""A case as its structured report and its exported images take it."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.directions import Direction, Side
from registry.domain.problems import NotFoundError
from registry.domain.readings import ProposalSeen
from registry.domain.techniques import COUNTED_LIVES
from registry.store.models.cases import Case, Screw
from registry.store.models.patients import Patient, VaultEntry
from registry.store.models.people import Account
from registry.store.models.proposals import ProposalRow, ProposalShown
from registry.store.models.readings import ConsensusRow, Reading
from registry.store.models.scans import HeldImage, Scan
from registry.store.queries.counted_screws import audit_scans
from registry.store.queries.readings import counted_ids
from registry.store.visible import visible_cases, visible_readings

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date
    from decimal import Decimal

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer
    from registry.domain.readings import CountedReading


@dataclass(frozen=True)
class ReportedScan:
    """The scan that a case is counted on; `digest` is None where its image is not held here."""

    scan_id: int
    scanned_on: date
    digest: str | None
    series_hash: str | None


@dataclass(frozen=True)
class SealedIdentifiers:
    """The vault's entry of a scan, still encrypted, and what it is bound to."""

    entry_id: int
    sealed: str = field(repr=False)


@dataclass(frozen=True)
class ReportedCase:
    """A case, its patient by pseudonym, and its audit scan."""

    case_id: int
    reference: str
    operated_on: date
    pseudonym: str
    is_withdrawn: bool
    scan: ReportedScan | None
    identifiers: SealedIdentifiers | None


@dataclass(frozen=True)
class ReadingToReport:
    """A reading that counts, as it is stored; `marks` is the JSON of what its reader set.

    `proposal_seen` says when its reader had been shown the program's proposal, `algorithm` which
    version of it made that.
    """

    reading_id: int
    role: str
    is_assessable: bool
    not_assessable_reason: str | None
    method: str
    confidence: str | None
    is_blind: bool
    extents_mm: Mapping[Direction, Decimal | None]
    sd_mm: Mapping[Direction, Decimal | None]
    bearing_deg: Decimal | None
    convergence_deg: Decimal | None
    sagittal_deg: Decimal | None
    marks: str | None
    proposal_seen: ProposalSeen | None = None
    algorithm: str | None = None


@dataclass(frozen=True)
class ConsensusToReport:
    """A consensus as it is stored."""

    state: str
    is_provisional: bool
    is_assessable: bool
    reading_ids: tuple[int, ...]
    extents_mm: Mapping[Direction, Decimal | None]
    bearing_deg: Decimal | None


@dataclass(frozen=True)
class ScrewToReport:
    """A counted screw with what counts of its readings on the scan."""

    screw_id: int
    level: str
    side: Side
    number: int
    diameter_mm: Decimal | None
    length_mm: Decimal | None
    readings: Sequence[ReadingToReport]
    consensus: ConsensusToReport | None


def reported_case(
    session: Session, viewer: Viewer, window_days: tuple[int, int], reference: str
) -> ReportedCase:
    """Return a case; NotFoundError where it is not there, or not the viewer's to see."""
    row = session.execute(
        visible_cases(viewer)
        .join(Patient, Patient.id == Case.patient_id)
        .where(Case.reference == reference)
        .with_only_columns(Case.id, Case.operated_on, Patient.pseudonym, Patient.withdrawn_at)
    ).first()
    if row is None:
        raise NotFoundError(f"no case {reference!r} among those you may see")
    scan = _scan(session, audit_scans(session, window_days).get(row[0]))
    identifiers = None if scan is None else _identifiers(session, scan.scan_id)
    return ReportedCase(row[0], reference, row[1], row[2], row[3] is not None, scan, identifiers)


def screws_to_report(
    session: Session, viewer: Viewer, case_id: int, scan_id: int, counted: CountedReading
) -> list[ScrewToReport]:
    """Return a case's counted screws, cranial first, with their readings on one scan."""
    readings = _readings(session, viewer, scan_id, counted_ids(session, counted))
    settled = {
        row.screw_id: row
        for row in session.execute(
            select(ConsensusRow).where(ConsensusRow.scan_id == scan_id)
        ).scalars()
    }
    seen = visible_cases(viewer).with_only_columns(Case.id)
    rows = session.execute(
        select(Screw)
        .where(
            Screw.case_id == case_id, Screw.case_id.in_(seen), Screw.life.in_(sorted(COUNTED_LIVES))
        )
        .order_by(Screw.id)
    ).scalars()
    return [
        ScrewToReport(
            row.id,
            row.level,
            Side(row.side),
            row.number,
            row.diameter_mm,
            row.length_mm,
            readings[row.id],
            None if row.id not in settled else _consensus(settled[row.id]),
        )
        for row in rows
    ]


def _scan(session: Session, scan_id: int | None) -> ReportedScan | None:
    row = session.execute(
        select(Scan, HeldImage.digest, HeldImage.removed_at)
        .outerjoin(HeldImage, HeldImage.id == Scan.image_id)
        .where(Scan.id == scan_id)
    ).first()
    if row is None:
        return None
    scan, digest, removed_at = row
    held = digest if removed_at is None else None
    return ReportedScan(scan.id, scan.scanned_on, held, scan.series_hash)


def _identifiers(session: Session, scan_id: int) -> SealedIdentifiers | None:
    row = session.execute(
        select(VaultEntry.id, VaultEntry.sealed)
        .where(VaultEntry.scan_id == scan_id, VaultEntry.kind == "scan identifiers")
        .order_by(VaultEntry.id.desc())
    ).first()
    return None if row is None or not row[1] else SealedIdentifiers(row[0], row[1])


def _readings(
    session: Session, viewer: Viewer, scan_id: int, counting: set[int]
) -> defaultdict[int, list[ReadingToReport]]:
    rows = session.execute(
        visible_readings(viewer).where(Reading.scan_id == scan_id).order_by(Reading.id)
    ).scalars()
    found: defaultdict[int, list[ReadingToReport]] = defaultdict(list)
    shown = _shown(session, scan_id)
    for row in rows:
        if row.id not in counting:
            continue
        found[row.screw_id].append(
            ReadingToReport(
                row.id,
                row.role,
                row.is_assessable,
                row.not_assessable_reason,
                row.method,
                row.confidence,
                row.is_blind,
                {wall: getattr(row, f"{wall}_mm") for wall in Direction},
                {wall: getattr(row, f"{wall}_sd_mm") for wall in Direction},
                row.bearing_deg,
                row.convergence_deg,
                row.sagittal_deg,
                row.marks,
                None if row.proposal_seen is None else ProposalSeen(row.proposal_seen),
                None if row.proposal_seen is None else _algorithm(shown, row),
            )
        )
    return found


def _shown(session: Session, scan_id: int) -> list[tuple[ProposalShown, str, int | None]]:
    """Return each showing of a proposal of a scan, its version, and to whom, as it happened."""
    rows = session.execute(
        select(ProposalShown, ProposalRow.algorithm, Account.person_id)
        .join(ProposalRow, ProposalRow.id == ProposalShown.proposal_id)
        .join(Account, Account.id == ProposalShown.account_id)
        .where(ProposalRow.scan_id == scan_id)
        .order_by(ProposalShown.shown_at, ProposalShown.id)
    )
    return [(row[0], row[1], row[2]) for row in rows]


def _algorithm(
    shown: Sequence[tuple[ProposalShown, str, int | None]], reading: Reading
) -> str | None:
    """Return the version of the proposal that a reader was shown last before a reading."""
    found = [
        version
        for showing, version, person in shown
        if showing.screw_id in {None, reading.screw_id}
        and showing.shown_at <= reading.recorded_at
        and person == reading.reader_id
    ]
    return found[-1] if found else None


def _consensus(row: ConsensusRow) -> ConsensusToReport:
    return ConsensusToReport(
        row.state,
        row.is_provisional,
        row.is_assessable,
        tuple(map(int, row.reading_ids.split(","))),
        {wall: getattr(row, f"{wall}_mm") for wall in Direction},
        row.bearing_deg,
    )
