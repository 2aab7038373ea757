"""The drawn scans that are kept, and who has a copy of which; no viewer is asked.

For giving copies alone: nothing of it is shown to a reader.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import and_, func, select

from registry.domain.directions import Direction
from registry.domain.known_truth import Purpose
from registry.store.apart import WITH_DRAWN
from registry.store.models.cases import Screw
from registry.store.models.drawn import DrawnCase, DrawnScan, DrawnScrew
from registry.store.models.people import Account
from registry.store.models.proposals import ProposalRow
from registry.store.models.readings import Assignment, Reading
from registry.store.queries.readings import READING_EXTENTS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime
    from decimal import Decimal
    from typing import TypeAlias

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer
    from registry.domain.settings import Settings

    Extents: TypeAlias = Mapping[Direction, Decimal | None]
    OwnMixed: TypeAlias = tuple[datetime, str, Extents, Extents, int | None]

TRUTH = tuple(getattr(DrawnScrew, f"{wall}_mm") for wall in Direction)
"""The columns of a drawn screw's true extents, in the order of `Direction`."""

TRUTH_OF_SCREW = and_(
    DrawnScrew.drawn_scan_id == DrawnScan.id,
    DrawnScrew.level == Screw.level,
    DrawnScrew.side == Screw.side,
    DrawnScrew.number == Screw.number,
)
"""Joins a screw of a copy of a drawn scan to the drawn screw that it is."""


@dataclass(frozen=True)
class KeptScrew:
    """A screw of a drawn scan and its truth, whole tenths; None where the rule gives none."""

    level: str
    side: str
    number: int
    diameter_mm: Decimal
    length_mm: Decimal
    truth_mm: Mapping[Direction, Decimal | None]


@dataclass(frozen=True)
class KeptDrawing:
    """A drawn scan: its number, its image, what it is for and its screws."""

    drawn_scan_id: int
    image_id: int
    purpose: Purpose
    seed: int
    screws: Sequence[KeptScrew]


def kept_drawings(session: Session) -> list[KeptDrawing]:
    """Return every drawn scan in the order in which they were kept."""
    screws: dict[int, list[KeptScrew]] = defaultdict(list)
    for scan, level, side, number, diameter, length, *walls in session.execute(
        select(
            DrawnScrew.drawn_scan_id,
            DrawnScrew.level,
            DrawnScrew.side,
            DrawnScrew.number,
            DrawnScrew.diameter_mm,
            DrawnScrew.length_mm,
            *TRUTH,
        ).order_by(DrawnScrew.id)
    ):
        truth = dict(zip(Direction, walls, strict=True))
        screws[scan].append(KeptScrew(level, side, number, diameter, length, truth))
    rows = session.execute(
        select(DrawnScan.id, DrawnScan.image_id, DrawnScan.purpose, DrawnScan.seed).order_by(
            DrawnScan.id
        )
    )
    return [KeptDrawing(row[0], row[1], Purpose(row[2]), row[3], screws[row[0]]) for row in rows]


def copies_of(session: Session) -> dict[int, set[int]]:
    """Return by reader the drawn scans that they were given a copy of."""
    found: dict[int, set[int]] = defaultdict(set)
    for reader, scan in session.execute(select(DrawnCase.reader_id, DrawnCase.drawn_scan_id)):
        found[reader].add(scan)
    return dict(found)


def surgeon_of_drawn(session: Session) -> int | None:
    """Return the person who stands for the surgeon of every drawn case, None before the first."""
    return session.execute(select(DrawnCase.surgeon_id).limit(1)).scalar()


def shell_account(session: Session) -> int:
    """Return the shell's own account: nobody reads in its name."""
    query = select(Account.id).where(Account.is_local_operator).order_by(Account.id)
    return session.execute(query.limit(1)).scalar_one()


def proposal_of_drawing(session: Session, drawing: KeptDrawing) -> dict[str, Any] | None:
    """Return the columns of the proposal that was worked out for any copy of a drawn scan."""
    row = session.execute(
        select(
            ProposalRow.image_digest,
            ProposalRow.log_digest,
            ProposalRow.algorithm,
            ProposalRow.document,
        )
        .join(DrawnCase, DrawnCase.scan_id == ProposalRow.scan_id)
        .where(
            DrawnCase.drawn_scan_id == drawing.drawn_scan_id,
            ProposalRow.document.is_not(None),
            ProposalRow.replaced_at.is_(None),
        )
        .limit(1)
        .execution_options(**WITH_DRAWN)
    ).first()
    return None if row is None else dict(row._mapping)  # noqa: SLF001 - SQLAlchemy's public name


@dataclass(frozen=True)
class PracticeState:
    """How far a reader is with their practice.

    Attributes
    ----------
    given, read : screws that they were given to practise on, and have read
    needed : how many the unit asks of a new reader before the audit's; 0 for none
    is_needed : nothing of the audit is offered to them yet
    can_begin : there is a drawn scan to practise on that they were not given yet
    """

    given: int
    read: int
    needed: int
    is_needed: bool
    can_begin: bool

    @property
    def left(self) -> int:
        """How many of those that they were given are still to be read."""
        return self.given - self.read


def practice_of(session: Session, settings: Settings, viewer: Viewer) -> PracticeState:
    """Return how far a viewer is with their own practice."""
    needed, person = settings.practice_screws, viewer.person_id
    if person is None:
        return PracticeState(0, 0, needed, is_needed=False, can_begin=False)
    given, read = _practised(session, person)
    is_needed = must_practise(session, settings, viewer)
    can_begin = bool(to_practise_on(session, person))
    return PracticeState(given, read, needed, is_needed=is_needed, can_begin=can_begin)


def must_practise(session: Session, settings: Settings, viewer: Viewer) -> bool:
    """Return whether a viewer has to practise first; who has read for the audit is not new."""
    needed, person = settings.practice_screws, viewer.person_id
    if needed == 0 or person is None or _practised(session, person)[1] >= needed:
        return False
    # Drawn ones are left out here as everywhere.
    of_audit = select(Reading.id).where(Reading.reader_id == person).limit(1)
    return session.execute(of_audit).first() is None


def _practised(session: Session, person_id: int) -> tuple[int, int]:
    """Return how many screws a person was given to practise on, and how many they have read."""
    query = (
        select(func.count(Assignment.id), func.count(Reading.id))
        .join(DrawnCase, DrawnCase.scan_id == Assignment.scan_id)
        .join(DrawnScan, DrawnScan.id == DrawnCase.drawn_scan_id)
        .outerjoin(Reading, Reading.assignment_id == Assignment.id)
        .where(
            DrawnCase.reader_id == person_id,
            DrawnScan.purpose == Purpose.PRACTICE,
            Assignment.supersedes_id.is_(None),
        )
        .execution_options(**WITH_DRAWN)
    )
    given, read = session.execute(query).one()
    return given, read


def to_practise_on(session: Session, person_id: int) -> list[KeptDrawing]:
    """Return the drawn scans for practice of which a person has no copy yet, in their order."""
    had = copies_of(session).get(person_id, set())
    return [
        each
        for each in kept_drawings(session)
        if each.purpose is Purpose.PRACTICE and each.drawn_scan_id not in had
    ]


def own_audit_readings(session: Session, person_id: int, before: datetime) -> int:
    """Return how many screws of the unit's own a person had read at an instant."""
    query = select(func.count(Reading.id)).where(
        Reading.reader_id == person_id, Reading.recorded_at < before
    )
    return session.execute(query).scalar_one()


def mixed_given(session: Session, person_id: int) -> int:
    """Return how many drawn screws were mixed into a person's worklist so far, read or not."""
    query = (
        select(func.count(Assignment.id))
        .join(DrawnCase, DrawnCase.scan_id == Assignment.scan_id)
        .join(DrawnScan, DrawnScan.id == DrawnCase.drawn_scan_id)
        .where(
            DrawnCase.reader_id == person_id,
            DrawnScan.purpose == Purpose.MIXED,
            Assignment.supersedes_id.is_(None),
        )
    )
    return session.execute(query.execution_options(**WITH_DRAWN)).scalar_one()


def own_mixed_readings(session: Session, person_id: int) -> list[OwnMixed]:
    """Return what a person read of the drawn screws that were mixed in, for sums alone.

    In no order that tells which they were: when saved, level, truth, what was read, seconds.
    """
    query = (
        select(Reading.recorded_at, Screw.level, Reading.seconds_spent, *TRUTH, *READING_EXTENTS)
        .join(Reading, Reading.screw_id == Screw.id)
        .join(DrawnCase, DrawnCase.scan_id == Reading.scan_id)
        .join(DrawnScan, DrawnScan.id == DrawnCase.drawn_scan_id)
        .join(DrawnScrew, TRUTH_OF_SCREW)
        .where(
            Reading.reader_id == person_id,
            Reading.supersedes_id.is_(None),
            DrawnScan.purpose == Purpose.MIXED,
        )
        .execution_options(**WITH_DRAWN)
    )
    return [
        (
            saved_at,
            level,
            dict(zip(Direction, walls[: len(TRUTH)], strict=True)),
            dict(zip(Direction, walls[len(TRUTH) :], strict=True)),
            seconds,
        )
        for saved_at, level, seconds, *walls in session.execute(query)
    ]
