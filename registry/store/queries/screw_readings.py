"""A screw with every reading of it, for who may look at its case."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.counted import counted_readings
from registry.domain.directions import Direction
from registry.domain.problems import NotFoundError
from registry.domain.readings import ProposalSeen, ReadingFacts, ReadingRole
from registry.store.models.cases import Case, Screw
from registry.store.models.people import Person
from registry.store.models.readings import Assignment, ConsensusRow, Reading
from registry.store.models.scans import HeldImage, Scan
from registry.store.queries.counted_screws import audit_scans
from registry.store.visible import is_fulfilled, took_part, visible_cases

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime
    from decimal import Decimal

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer
    from registry.domain.readings import CountedReading


@dataclass(frozen=True)
class ReadingInFull:
    """One reading as it was made.

    Attributes
    ----------
    facts : number, role and extents
    reader : by name
    read_on, recorded_at : day of reading, instant of saving or loading
    is_loaded : it came from a table
    method, confidence, note : as the reader said
    not_assessable_reason : why it could not be read, else None
    is_blind : the reader neither entered the case, matched its scan nor looked at it
    sd_mm : uncertainty by direction
    seconds_spent : at the desk
    replaces : the earlier reading that this one replaced, or None
    replaced_because : why
    is_replaced : a later one stands in its place
    is_asked_again : it is to be read again
    """

    facts: ReadingFacts
    reader: str
    read_on: date
    recorded_at: datetime
    is_loaded: bool
    method: str
    confidence: str | None
    note: str | None
    not_assessable_reason: str | None
    is_blind: bool
    sd_mm: Mapping[Direction, Decimal | None]
    seconds_spent: int | None
    replaces: int | None
    replaced_because: str | None
    is_replaced: bool
    is_asked_again: bool

    @property
    def extents_mm(self) -> Mapping[Direction, Decimal | None]:
        """What it found, by direction."""
        return self.facts.extents_mm


@dataclass(frozen=True)
class StoredConsensus:
    """What counts of a screw on one scan, as stored."""

    state: str
    is_provisional: bool
    is_assessable: bool
    extents_mm: Mapping[Direction, Decimal | None]
    rule_version: str
    reading_ids: tuple[int, ...]


@dataclass(frozen=True)
class ScrewOnScan:
    """A screw's readings on one scan, in the order in which they were saved.

    `image_digest` names the image where it is held here.
    """

    scan_id: int
    scanned_on: date
    kind: str
    is_audit_scan: bool
    image_digest: str | None
    readings: Sequence[ReadingInFull]
    consensus: StoredConsensus | None
    second_is_owed: bool

    @property
    def is_held_here(self) -> bool:
        """Say whether there is an image to read."""
        return self.image_digest is not None

    def counted(self, rule: CountedReading) -> list[ReadingFacts]:
        """Return what counts, as consensus takes it."""
        return counted_readings((each.facts for each in self.readings), rule)


@dataclass(frozen=True)
class ScrewInFull:
    """A screw, its case, and its scans that were read, the one it is counted on first."""

    screw_id: int
    case_id: int
    case_reference: str
    level: str
    side: str
    number: int
    diameter_mm: Decimal | None
    life: str
    viewer_took_part: bool
    scans: Sequence[ScrewOnScan]


def screw_in_full(
    session: Session,
    viewer: Viewer,
    window_days: tuple[int, int],
    screw_id: int,
    audit: Mapping[int, int] | None = None,
) -> ScrewInFull:
    """Return a screw; NotFoundError where it is not there, or not the viewer's to see.

    `audit` spares the look for every case's audit scan to who asks for several screws.
    """
    row = session.execute(
        visible_cases(viewer)
        .join(Screw, Screw.case_id == Case.id)
        .where(Screw.id == screw_id)
        .with_only_columns(
            Case.id,
            Case.reference,
            Screw.level,
            Screw.side,
            Screw.number,
            Screw.diameter_mm,
            Screw.life,
            took_part(viewer.person_id or 0),
        )
    ).first()
    if row is None:
        raise NotFoundError("there is no such screw among those you may see")
    audit = audit_scans(session, window_days) if audit is None else audit
    audit_scan = audit.get(row[0])
    return ScrewInFull(
        screw_id=screw_id,
        case_id=row[0],
        case_reference=row[1],
        level=row[2],
        side=row[3],
        number=row[4],
        diameter_mm=row[5],
        life=row[6],
        viewer_took_part=bool(row[7]),
        scans=_scans(session, screw_id, audit_scan),
    )


def _scans(session: Session, screw_id: int, audit_scan: int | None) -> list[ScrewOnScan]:
    readings, settled = _readings(session, screw_id), _settled(session, screw_id)
    owed = set(
        session.execute(
            select(Assignment.scan_id).where(
                Assignment.screw_id == screw_id,
                Assignment.role == ReadingRole.SECOND,
                Assignment.closed_at.is_(None),
            )
        ).scalars()
    )
    query = (
        select(Scan, HeldImage.digest, HeldImage.removed_at)
        .outerjoin(HeldImage, HeldImage.id == Scan.image_id)
        .where(Scan.id.in_(readings))
    )
    found = [
        ScrewOnScan(
            scan_id=scan.id,
            scanned_on=scan.scanned_on,
            kind=scan.kind,
            is_audit_scan=scan.id == audit_scan,
            image_digest=digest if removed_at is None else None,
            readings=readings[scan.id],
            consensus=settled.get(scan.id),
            second_is_owed=scan.id in owed,
        )
        for scan, digest, removed_at in session.execute(query)
    ]
    return sorted(found, key=lambda each: (not each.is_audit_scan, each.scanned_on, each.scan_id))


def _readings(session: Session, screw_id: int) -> dict[int, list[ReadingInFull]]:
    rows = list(
        session.execute(
            select(Reading, Person.name)
            .join(Person, Person.id == Reading.reader_id)
            .where(Reading.screw_id == screw_id)
            .order_by(Reading.id)
        )
    )
    replaced = {reading.supersedes_id for reading, _ in rows}
    asked = set(
        session.execute(
            select(Assignment.supersedes_id).where(
                Assignment.screw_id == screw_id,
                Assignment.supersedes_id.is_not(None),
                Assignment.closed_at.is_(None),
                ~is_fulfilled(),
            )
        ).scalars()
    )
    found: dict[int, list[ReadingInFull]] = defaultdict(list)
    for reading, reader in rows:
        found[reading.scan_id].append(
            _in_full(
                reading, reader, is_replaced=reading.id in replaced, is_asked=reading.id in asked
            )
        )
    return found


def _in_full(reading: Reading, reader: str, *, is_replaced: bool, is_asked: bool) -> ReadingInFull:
    return ReadingInFull(
        facts=ReadingFacts(
            reading.id,
            ReadingRole(reading.role),
            reading.is_assessable,
            {wall: getattr(reading, f"{wall}_mm") for wall in Direction},
            reading.bearing_deg,
            reading.supersedes_id,
            None if reading.proposal_seen is None else ProposalSeen(reading.proposal_seen),
        ),
        reader=reader,
        read_on=reading.read_on,
        recorded_at=reading.recorded_at,
        is_loaded=reading.source_name is not None,
        method=reading.method,
        confidence=reading.confidence,
        note=reading.note,
        not_assessable_reason=reading.not_assessable_reason,
        is_blind=reading.is_blind,
        sd_mm={wall: getattr(reading, f"{wall}_sd_mm") for wall in Direction},
        seconds_spent=reading.seconds_spent,
        replaces=reading.supersedes_id,
        replaced_because=reading.superseded_reason,
        is_replaced=is_replaced,
        is_asked_again=is_asked,
    )


def _settled(session: Session, screw_id: int) -> dict[int, StoredConsensus]:
    rows = session.execute(select(ConsensusRow).where(ConsensusRow.screw_id == screw_id)).scalars()
    return {
        row.scan_id: StoredConsensus(
            row.state,
            row.is_provisional,
            row.is_assessable,
            {wall: getattr(row, f"{wall}_mm") for wall in Direction},
            row.rule_version,
            tuple(map(int, row.reading_ids.split(","))),
        )
        for row in rows
    }
