"""Readings that are owed: for the worklist, and for asking for more."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import exists, or_, select
from sqlalchemy.orm import aliased

from registry.domain.known_truth import Purpose
from registry.domain.levels import level
from registry.domain.readings import Method, ReadingRole
from registry.domain.techniques import COUNTED_LIVES
from registry.store.apart import WITH_DRAWN
from registry.store.models.cases import Case, Screw
from registry.store.models.drawn import DrawnCase, DrawnScan
from registry.store.models.people import Account
from registry.store.models.readings import Assignment, Draw, Reading
from registry.store.models.scans import HeldImage, Scan
from registry.store.models.unit import CaseSeen
from registry.store.visible import is_withdrawn, readable_assignments

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import date, datetime
    from decimal import Decimal

    from sqlalchemy import ColumnElement, Select
    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer


@dataclass(frozen=True)
class OwedReading:
    """An owed reading as its reader may know it: no case, surgeon, technique or other reading.

    `is_practice` is told; of the others nothing tells which are drawn.
    """

    assignment_id: int
    role: str
    level: str
    side: str
    number: int
    diameter_mm: Decimal | None
    asked_at: datetime
    scan_id: int
    image_digest: str
    is_known_to_viewer: bool
    is_made_out: bool
    is_practice: bool


@dataclass(frozen=True)
class SavingFacts:
    """What saving a reading needs beside it; never sent to a page.

    Attributes
    ----------
    marks_of_others : what was kept, as JSON, with the standing readings on pictures of the other
        screws on the scan
    supersedes_id : the reading that this one is to replace, or None
    asked_because : why it was asked for
    is_drawn, is_practice : the screw is none of the unit's; it is known to be none
    """

    screw_id: int
    scan_id: int
    role: str
    operated_on: date
    is_blind: bool
    marks_of_others: tuple[str, ...]
    supersedes_id: int | None
    asked_because: str
    is_drawn: bool
    is_practice: bool


def _owed(viewer: Viewer) -> Select[Assignment]:
    return (
        readable_assignments(viewer)
        .join(Scan, Scan.id == Assignment.scan_id)
        .join(HeldImage, HeldImage.id == Scan.image_id)
        .where(HeldImage.removed_at.is_(None))
    )


def _has_looked(viewer: Viewer) -> ColumnElement[bool]:
    """Return whether the viewer, under any account of theirs, has been shown the whole case."""
    theirs = select(Account.id).where(
        or_(Account.id == viewer.account_id, Account.person_id == viewer.person_id)
    )
    return (
        exists().where(CaseSeen.case_id == Case.id, CaseSeen.account_id.in_(theirs)).correlate(Case)
    )


def _is_practice() -> ColumnElement[bool]:
    return (
        exists()
        .where(
            DrawnCase.scan_id == Assignment.scan_id,
            DrawnScan.id == DrawnCase.drawn_scan_id,
            DrawnScan.purpose == Purpose.PRACTICE,
        )
        .correlate(Assignment)
    )


def owed_readings(
    session: Session,
    viewer: Viewer,
    assignment_id: int | None = None,
    *,
    with_drawn: bool = False,
) -> list[OwedReading]:
    """Return the owed readings that a viewer may take on, on images held here; all, or one.

    `with_drawn` is for the reader themselves, to whom drawn screws are like any other; who counts
    what waits for others leaves them out.
    """
    query = (
        _owed(viewer)
        .execution_options(with_drawn=with_drawn)
        .with_only_columns(
            Assignment.id,
            Assignment.role,
            Screw.level,
            Screw.side,
            Screw.number,
            Screw.diameter_mm,
            Assignment.made_at,
            Assignment.scan_id,
            HeldImage.digest,
            Scan.matched_by_id,
            Case.entered_by_id,
            Assignment.reader_id.is_not(None),
            _has_looked(viewer),
            _is_practice(),
        )
    )
    if assignment_id is not None:
        query = query.where(Assignment.id == assignment_id)
    rows = session.execute(query)
    found = [
        OwedReading(
            assignment_id=row[0],
            role=row[1],
            level=row[2],
            side=row[3],
            number=row[4],
            diameter_mm=row[5],
            asked_at=row[6],
            scan_id=row[7],
            image_digest=row[8],
            is_known_to_viewer=viewer.account_id in (row[9], row[10]) or bool(row[12]),
            is_made_out=bool(row[11]),
            is_practice=bool(row[13]),
        )
        for row in rows
    ]
    return sorted(
        found, key=lambda owed: (owed.scan_id, level(owed.level).order, owed.side, owed.number)
    )


def saving_facts(session: Session, viewer: Viewer, assignment_id: int) -> SavingFacts | None:
    """Return what saving needs of an owed reading that the viewer may take on, or None."""
    row = session.execute(
        _owed(viewer)
        .with_only_columns(
            Assignment.screw_id,
            Assignment.scan_id,
            Assignment.role,
            Case.operated_on,
            Scan.matched_by_id,
            Case.entered_by_id,
            Assignment.supersedes_id,
            Assignment.reason,
            _has_looked(viewer),
            exists().where(DrawnCase.scan_id == Assignment.scan_id).correlate(Assignment),
            _is_practice(),
        )
        .where(Assignment.id == assignment_id)
    ).first()
    if row is None:
        return None
    return SavingFacts(
        screw_id=row[0],
        scan_id=row[1],
        role=row[2],
        operated_on=row[3],
        is_blind=viewer.account_id not in (row[4], row[5]) and not row[8],
        marks_of_others=_marks_of_others(session, row[0], row[1]),
        supersedes_id=row[6],
        asked_because=row[7],
        is_drawn=bool(row[9]),
        is_practice=bool(row[10]),
    )


def _marks_of_others(session: Session, screw_id: int, scan_id: int) -> tuple[str, ...]:
    superseded = select(Reading.supersedes_id).where(Reading.supersedes_id.is_not(None))
    found = session.execute(
        select(Reading.marks)
        .where(
            Reading.scan_id == scan_id,
            Reading.screw_id != screw_id,
            Reading.is_assessable,
            Reading.method != Method.TYPED,
            Reading.marks.is_not(None),
            Reading.id.not_in(superseded),
        )
        .execution_options(**WITH_DRAWN)
    ).scalars()
    return tuple(text for text in found if text is not None)


def screws_without_first(session: Session, case_id: int, scan_id: int) -> list[int]:
    """Return a case's placed screws that have neither a first reading nor one asked for."""
    has_reading = exists().where(
        Reading.screw_id == Screw.id,
        Reading.scan_id == scan_id,
        Reading.role == ReadingRole.FIRST,
    )
    is_asked = exists().where(
        Assignment.screw_id == Screw.id,
        Assignment.scan_id == scan_id,
        Assignment.role == ReadingRole.FIRST,
    )
    lives = [life.value for life in COUNTED_LIVES]
    return list(
        session.execute(
            select(Screw.id)
            .where(Screw.case_id == case_id, Screw.life.in_(lives), ~has_reading, ~is_asked)
            .order_by(Screw.id)
        ).scalars()
    )


def held_scans(session: Session) -> set[int]:
    """Return the scans whose images are held here."""
    held = select(Scan.id).join(HeldImage, HeldImage.id == Scan.image_id)
    return set(session.execute(held.where(HeldImage.removed_at.is_(None))).scalars())


def has_second(session: Session, screw_id: int, scan_id: int) -> bool:
    """Return whether a second reading of a screw was made, or asked for in whatever state."""
    return any(
        session.execute(
            select(record.id)
            .where(
                record.screw_id == screw_id,
                record.scan_id == scan_id,
                record.role == ReadingRole.SECOND,
            )
            .limit(1)
        ).first()
        for record in (Reading, Assignment)
    )


@dataclass(frozen=True)
class ToBeReplaced:
    """A reading that stands, and whether it was asked for again."""

    screw_id: int
    scan_id: int
    role: str
    is_asked_for: bool
    closed_assignment_id: int | None


def to_be_replaced(session: Session, reading_id: int) -> ToBeReplaced | None:
    """Return a reading that may be asked for again; None where it is not there or was replaced."""
    later = aliased(Reading)
    row = session.execute(
        select(Reading.screw_id, Reading.scan_id, Reading.role, Assignment.id, Assignment.closed_at)
        .outerjoin(Assignment, Assignment.supersedes_id == Reading.id)
        .where(Reading.id == reading_id, ~exists().where(later.supersedes_id == Reading.id))
        .execution_options(**WITH_DRAWN)
    ).first()
    if row is None:
        return None
    is_closed = row[4] is not None
    return ToBeReplaced(
        screw_id=row[0],
        scan_id=row[1],
        role=row[2],
        is_asked_for=row[3] is not None and not is_closed,
        closed_assignment_id=row[3] if is_closed else None,
    )


@dataclass(frozen=True)
class AskedAdjudication:
    """An adjudication that was asked for, and whether it was closed again."""

    assignment_id: int
    closed_reason: str | None


def asked_adjudications(
    session: Session, screw_ids: Collection[int] | None = None
) -> dict[tuple[int, int], AskedAdjudication]:
    """Return the adjudications asked for by screw and scan; all, or of some screws."""
    query = select(
        Assignment.screw_id,
        Assignment.scan_id,
        Assignment.id,
        Assignment.closed_at,
        Assignment.closed_reason,
    ).where(Assignment.role == ReadingRole.ADJUDICATION, Assignment.supersedes_id.is_(None))
    if screw_ids is not None:
        query = query.where(Assignment.screw_id.in_(screw_ids))
    return {
        (row[0], row[1]): AskedAdjudication(row[2], None if row[3] is None else row[4] or "")
        for row in session.execute(query)
    }


def uncounted_screws(session: Session, screw_ids: Collection[int]) -> set[int]:
    """Return which of these screws were not placed, or were removed before closure."""
    lives = [life.value for life in COUNTED_LIVES]
    found = session.execute(select(Screw.id).where(Screw.life.not_in(lives))).scalars()
    return set(found) & set(screw_ids)


def withdrawn_screws(session: Session, screw_ids: Collection[int]) -> set[int]:
    """Return which of these screws are of a withdrawn patient, whose images are gone."""
    found = session.execute(
        select(Screw.id).join(Case, Case.id == Screw.case_id).where(is_withdrawn())
    ).scalars()
    return set(found) & set(screw_ids)


@dataclass(frozen=True)
class RecordedDraw:
    """A quarter's draw as it was made."""

    draw_id: int
    seed: str
    share_percent: Decimal


def draw_of(session: Session, period: str) -> RecordedDraw | None:
    """Return the draw of a quarter, or None where none was made."""
    row = session.execute(
        select(Draw.id, Draw.seed, Draw.share_percent).where(Draw.period == period)
    ).first()
    return None if row is None else RecordedDraw(*row)
