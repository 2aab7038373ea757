"""Readings as consensus takes them."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import and_, or_, select
from sqlalchemy.orm import aliased

from registry.domain.counted import counted_readings
from registry.domain.directions import Direction
from registry.domain.readings import ProposalSeen, ReadingFacts, ReadingRole
from registry.store.models.cases import Case, Screw
from registry.store.models.readings import Assignment, ConsensusRow, Reading
from registry.store.models.scans import HeldImage, Scan
from registry.store.visible import own_readings, took_part, visible_readings

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from datetime import datetime
    from decimal import Decimal

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer
    from registry.domain.readings import CountedReading

READING_EXTENTS = tuple(getattr(Reading, f"{wall}_mm") for wall in Direction)


def current_readings(
    session: Session, counted: CountedReading, screw_ids: Collection[int] | None = None
) -> dict[tuple[int, int], list[ReadingFacts]]:
    """Return the readings that count, by screw and scan; all, or of some screws.

    For the consensus and its check alone: no viewer is asked, and nothing of it is shown.
    """
    query = select(
        Reading.screw_id,
        Reading.scan_id,
        Reading.id,
        Reading.role,
        Reading.is_assessable,
        Reading.bearing_deg,
        Reading.supersedes_id,
        Reading.proposal_seen,
        *READING_EXTENTS,
    ).order_by(Reading.id)
    if screw_ids is not None:
        query = query.where(Reading.screw_id.in_(screw_ids))
    found: dict[tuple[int, int], list[ReadingFacts]] = defaultdict(list)
    for row in session.execute(query):
        found[row[0], row[1]].append(
            ReadingFacts(
                row[2],
                ReadingRole(row[3]),
                row[4],
                dict(zip(Direction, row[8:], strict=True)),
                row[5],
                row[6],
                None if row[7] is None else ProposalSeen(row[7]),
            )
        )
    return {place: counted_readings(readings, counted) for place, readings in found.items()}


def counted_ids(session: Session, counted: CountedReading) -> set[int]:
    """Return the numbers of the readings that count, of every screw; nothing of them is shown."""
    asked = select(Reading.id, Reading.role, Reading.supersedes_id, Reading.proposal_seen)
    rows = [
        ReadingFacts(
            row[0],
            ReadingRole(row[1]),
            is_assessable=True,
            supersedes=row[2],
            proposal_seen=None if row[3] is None else ProposalSeen(row[3]),
        )
        for row in session.execute(asked)
    ]
    return {reading.reading_id for reading in counted_readings(rows, counted)}


def owed_seconds(
    session: Session, screw_ids: Collection[int] | None = None
) -> set[tuple[int, int]]:
    """Return the screws and scans for which a second reading was asked for and still is."""
    query = select(Assignment.screw_id, Assignment.scan_id).where(
        Assignment.role == ReadingRole.SECOND, Assignment.closed_at.is_(None)
    )
    if screw_ids is not None:
        query = query.where(Assignment.screw_id.in_(screw_ids))
    return {(row[0], row[1]) for row in session.execute(query)}


def levels_of(session: Session, screw_ids: Collection[int] | None = None) -> dict[int, str]:
    """Return the level of each screw."""
    query = select(Screw.id, Screw.level)
    if screw_ids is not None:
        query = query.where(Screw.id.in_(screw_ids))
    return {row[0]: row[1] for row in session.execute(query)}


def consensus_rows(
    session: Session, screw_ids: Collection[int] | None = None
) -> dict[tuple[int, int], ConsensusRow]:
    """Return the stored consensus by screw and scan, for working it out again."""
    query = select(ConsensusRow)
    if screw_ids is not None:
        query = query.where(ConsensusRow.screw_id.in_(screw_ids))
    return {(row.screw_id, row.scan_id): row for row in session.execute(query).scalars()}


@dataclass(frozen=True)
class OwnReading:
    """A reading as its own reader may look back on it: nothing that leads to the case.

    Attributes
    ----------
    reading_id : int
    level, side, number : which screw
    is_adjudication : whether it decided; which of the other two it was is not told
    saved_at : when
    is_assessable, extents_mm : what was found
    can_be_replaced : it stands, its image is held, and it is not asked for again yet
    open_assignment_id : under which its reader is to make it again already, or None
    proposal_seen : when its reader had been shown the program's proposal, or None
    """

    reading_id: int
    level: str
    side: str
    number: int
    is_adjudication: bool
    saved_at: datetime
    is_assessable: bool
    extents_mm: Mapping[Direction, Decimal | None]
    can_be_replaced: bool
    open_assignment_id: int | None
    proposal_seen: ProposalSeen | None


def own_readings_of(
    session: Session, viewer: Viewer, reading_id: int | None = None
) -> list[OwnReading]:
    """Return a viewer's own readings, the latest first, but for those they replaced; all or one."""
    later, asked = aliased(Reading), aliased(Assignment)
    query = (
        own_readings(viewer)
        .join(Screw, Screw.id == Reading.screw_id)
        .join(Case, Case.id == Screw.case_id)
        .join(Scan, Scan.id == Reading.scan_id)
        .outerjoin(HeldImage, HeldImage.id == Scan.image_id)
        .outerjoin(later, later.supersedes_id == Reading.id)
        .outerjoin(asked, and_(asked.supersedes_id == Reading.id, asked.closed_at.is_(None)))
        .where(or_(later.id.is_(None), later.reader_id != viewer.person_id))
        .order_by(Reading.recorded_at.desc(), Reading.id.desc())
        .with_only_columns(
            Reading.id,
            Screw.level,
            Screw.side,
            Screw.number,
            Reading.role,
            Reading.recorded_at,
            Reading.is_assessable,
            later.id.is_(None),
            asked.id,
            asked.reader_id == viewer.person_id,
            and_(HeldImage.id.is_not(None), HeldImage.removed_at.is_(None)),
            took_part(viewer.person_id or 0),
            Reading.proposal_seen,
            *READING_EXTENTS,
        )
    )
    if reading_id is not None:
        query = query.where(Reading.id == reading_id)
    return [_own_reading(tuple(row)) for row in session.execute(query)]


def _own_reading(row: tuple[Any, ...]) -> OwnReading:
    stands, asked_id, is_asked_of_them, is_held, has_part = row[7:12]
    return OwnReading(
        reading_id=row[0],
        level=row[1],
        side=row[2],
        number=row[3],
        is_adjudication=row[4] == ReadingRole.ADJUDICATION,
        saved_at=row[5],
        is_assessable=row[6],
        extents_mm=dict(zip(Direction, row[13:], strict=True)),
        can_be_replaced=bool(stands and is_held) and asked_id is None and not has_part,
        open_assignment_id=asked_id if stands and is_asked_of_them else None,
        proposal_seen=None if row[12] is None else ProposalSeen(row[12]),
    )


@dataclass(frozen=True)
class ReadingInSight:
    """A reading that a viewer may look at, whether its image is held here, and their own part."""

    screw_id: int
    is_held_here: bool
    viewer_took_part: bool


def reading_in_sight(session: Session, viewer: Viewer, reading_id: int) -> ReadingInSight | None:
    """Return a reading that a viewer may look at, or None."""
    row = session.execute(
        visible_readings(viewer)
        .join(Screw, Screw.id == Reading.screw_id)
        .join(Case, Case.id == Screw.case_id)
        .join(Scan, Scan.id == Reading.scan_id)
        .outerjoin(HeldImage, HeldImage.id == Scan.image_id)
        .where(Reading.id == reading_id)
        .with_only_columns(
            Reading.screw_id,
            and_(HeldImage.id.is_not(None), HeldImage.removed_at.is_(None)),
            took_part(viewer.person_id or 0),
        )
    ).first()
    return None if row is None else ReadingInSight(row[0], bool(row[1]), bool(row[2]))


def screws_settled_otherwise(session: Session, rule_version: str) -> set[int]:
    """Return the screws of which a stored consensus was worked out by another rule than this."""
    query = select(ConsensusRow.screw_id).where(ConsensusRow.rule_version != rule_version)
    return set(session.execute(query).scalars())
