"""A quarter's right of reply: its round, its surgeons, their screws and what is read again."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import ColumnElement, select

from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.levels import level
from registry.domain.readings import ReadingRole
from registry.domain.reply import Again, how_again, quarter_of
from registry.domain.techniques import COUNTED_LIVES
from registry.store.models.cases import Case, Screw
from registry.store.models.findings import Finding
from registry.store.models.people import Account, Person
from registry.store.models.readings import Assignment, ConsensusRow, Reading
from registry.store.models.replies import ReplyAnswer, ReplyRound, Rereading
from registry.store.queries.assignments import held_scans
from registry.store.queries.counted_screws import EXTENT_COLUMNS, audit_scans
from registry.store.visible import is_fulfilled, own_cases

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime
    from decimal import Decimal

    from sqlalchemy import ColumnElement, Select
    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer
    from registry.domain.reply import Quarter

_NO_SCAN = 0
_COUNTED = (
    ConsensusRow.state,
    ConsensusRow.is_assessable,
    ConsensusRow.is_provisional,
    *EXTENT_COLUMNS,
    ConsensusRow.reading_ids,
)
_LIVES = [life.value for life in COUNTED_LIVES]


@dataclass(frozen=True)
class Round:
    """A quarter's round of reply."""

    round_id: int
    period: str
    opened_at: datetime
    closes_on: date


@dataclass(frozen=True)
class SurgeonOfQuarter:
    """A responsible surgeon of a quarter, and whether they have said that they looked."""

    person_id: int
    name: str
    cases: int
    has_account: bool
    answered_at: datetime | None
    words: str | None


@dataclass(frozen=True)
class ReplyScrew:
    """A screw of a quarter, as its right of reply looks at it.

    Attributes
    ----------
    screw_id, scan_id : numbers; scan_id is the audit scan, None without one
    case_id, case_reference, operated_on : of its case
    level, side, number : which screw
    state : how its consensus came about, None where it has not been read
    is_assessable, is_provisional : of the consensus
    extents_mm : of the consensus
    again : how it can be read again
    superseded_by_again : the adjudication that a new one would replace, None where it replaces none
    is_asked_again : it is read again in this round
    is_owed : another reading of it is asked for and not made yet
    reading_ids : the readings that its consensus used
    """

    screw_id: int
    scan_id: int | None
    case_id: int
    case_reference: str
    operated_on: date
    level: str
    side: str
    number: int
    state: str | None
    is_assessable: bool
    is_provisional: bool
    extents_mm: Mapping[Direction, Decimal | None]
    again: Again
    superseded_by_again: int | None
    is_asked_again: bool
    is_owed: bool
    reading_ids: tuple[int, ...] = ()

    @property
    def is_contained(self) -> bool:
        """Whether every pedicle wall was measured and none was crossed."""
        return self.is_assessable and all(self.extents_mm.get(wall) == 0 for wall in PEDICLE_WALLS)


def round_of(session: Session, period: str) -> Round | None:
    """Return the round of a quarter, or None where none was opened."""
    row = session.execute(
        select(ReplyRound.id, ReplyRound.period, ReplyRound.opened_at, ReplyRound.closes_on).where(
            ReplyRound.period == period
        )
    ).first()
    return None if row is None else Round(*row)


@dataclass(frozen=True)
class OwnOpenRound:
    """A quarter in which a viewer was responsible for a case and may still reply.

    Attributes
    ----------
    round : of the quarter
    answered_at : when they said that they have looked, or None
    """

    round: Round
    answered_at: datetime | None


def own_open_rounds(session: Session, viewer: Viewer, today: date) -> list[OwnOpenRound]:
    """Return the rounds that a viewer may still reply to, the one that ends first on top."""
    own = own_cases(viewer).where(Case.surgeon_id == viewer.person_id)
    days = session.execute(own.with_only_columns(Case.operated_on)).scalars()
    periods = {quarter_of(day).name for day in days}
    rows = session.execute(
        select(ReplyRound.id, ReplyRound.period, ReplyRound.opened_at, ReplyRound.closes_on)
        .where(ReplyRound.closes_on >= today)
        .order_by(ReplyRound.closes_on, ReplyRound.period)
    )
    found = []
    for each in [Round(*row) for row in rows if row[1] in periods]:
        answered = own_answer(session, viewer, each.round_id)
        found.append(OwnOpenRound(each, None if answered is None else answered[0]))
    return found


def last_own_day(session: Session, viewer: Viewer) -> date | None:
    """Return the last day on which the viewer took part in a case, or None."""
    own = own_cases(viewer).order_by(Case.operated_on.desc()).limit(1)
    return session.execute(own.with_only_columns(Case.operated_on)).scalar()


def days_operated(session: Session) -> tuple[date, date] | None:
    """Return the first and the last day of operation, None without a case."""
    days = sorted(session.execute(select(Case.operated_on)).scalars())
    return (days[0], days[-1]) if days else None


def surgeons_of_quarter(session: Session, quarter: Quarter) -> list[SurgeonOfQuarter]:
    """Return the responsible surgeons of a quarter's cases; for who lays it before them."""
    cases: dict[int, int] = defaultdict(int)
    for person_id in session.execute(
        select(Case.surgeon_id).where(Case.operated_on.between(quarter.first, quarter.last))
    ).scalars():
        cases[person_id] += 1
    with_account = set(
        session.execute(
            select(Account.person_id).where(
                Account.person_id.in_(cases),
                Account.is_disabled.is_(False),
                Account.password_hash.is_not(None),
            )
        ).scalars()
    )
    answered = {
        row[0]: (row[1], row[2])
        for row in session.execute(
            select(ReplyAnswer.person_id, ReplyAnswer.answered_at, ReplyAnswer.words)
            .join(ReplyRound, ReplyRound.id == ReplyAnswer.round_id)
            .where(ReplyRound.period == quarter.name)
        )
    }
    names = session.execute(select(Person.id, Person.name).where(Person.id.in_(cases)))
    found = [
        SurgeonOfQuarter(
            person, name, cases[person], person in with_account, *answered.get(person, (None, None))
        )
        for person, name in names
    ]
    return sorted(found, key=lambda surgeon: surgeon.name.casefold())


def own_answer(
    session: Session, viewer: Viewer, round_id: int
) -> tuple[datetime, str | None] | None:
    """Return when the viewer answered a round and in which words, or None."""
    row = session.execute(
        select(ReplyAnswer.answered_at, ReplyAnswer.words).where(
            ReplyAnswer.round_id == round_id, ReplyAnswer.person_id == viewer.person_id
        )
    ).first()
    return None if row is None else (row[0], row[1])


def answer_row(session: Session, viewer: Viewer, round_id: int) -> int | None:
    """Return the row of the viewer's answer to a round, or None."""
    return session.execute(
        select(ReplyAnswer.id).where(
            ReplyAnswer.round_id == round_id, ReplyAnswer.person_id == viewer.person_id
        )
    ).scalar_one_or_none()


def own_reply_screws(
    session: Session, viewer: Viewer, quarter: Quarter, window_days: tuple[int, int]
) -> list[ReplyScrew]:
    """Return the placed screws of the viewer's own cases of a quarter, case by case."""
    cases = own_cases(viewer).with_only_columns(Case.id)
    return _screws(session, quarter, window_days, Case.id.in_(cases))


def cover_screws(
    session: Session, quarter: Quarter, window_days: tuple[int, int]
) -> list[ReplyScrew]:
    """Return the contained screws of a quarter, whosever they are; drawn from, never shown."""
    found = _screws(session, quarter, window_days)
    return [screw for screw in found if screw.is_contained and not screw.is_asked_again]


def _screws(
    session: Session, quarter: Quarter, window_days: tuple[int, int], *own: ColumnElement[bool]
) -> list[ReplyScrew]:
    scans = audit_scans(session, window_days)
    held = held_scans(session)
    asked_for = (
        Screw.life.in_(_LIVES),
        Case.operated_on.between(quarter.first, quarter.last),
        *own,
    )
    # Of a quarter's screws alone: a ledger of years holds many times as many readings.
    those = select(Screw.id).join(Case, Case.id == Screw.case_id).where(*asked_for)
    standing, owed = _standing(session, those), _owed(session)
    consensus = {
        (row[0], row[1]): row[2:]
        for row in session.execute(
            select(ConsensusRow.screw_id, ConsensusRow.scan_id, *_COUNTED).where(
                ConsensusRow.screw_id.in_(those)
            )
        )
    }
    asked = set(
        session.execute(
            select(Rereading.screw_id)
            .join(ReplyRound, ReplyRound.id == Rereading.round_id)
            .where(ReplyRound.period == quarter.name)
        ).scalars()
    )
    query = (
        select(Screw.id, Screw.level, Screw.side, Screw.number, Case.id, Case.reference,
               Case.operated_on)
        .join(Case, Case.id == Screw.case_id)
        .where(*asked_for)
    )  # fmt: skip
    found = []
    for row in session.execute(query):
        scan = scans.get(row[4])
        place = (row[0], _NO_SCAN if scan is None else scan)
        known, readings = consensus.get(place), standing.get(place, {})
        found.append(
            ReplyScrew(
                screw_id=row[0],
                scan_id=scan,
                case_id=row[4],
                case_reference=row[5],
                operated_on=row[6],
                level=row[1],
                side=row[2],
                number=row[3],
                state=known[0] if known else None,
                is_assessable=bool(known and known[1]),
                is_provisional=bool(known and known[2]),
                extents_mm=dict(zip(Direction, known[3:-1], strict=True)) if known else {},
                again=how_again(frozenset(readings), is_owed=place in owed, is_held=scan in held),
                superseded_by_again=readings.get(ReadingRole.ADJUDICATION),
                is_asked_again=row[0] in asked,
                is_owed=place in owed,
                reading_ids=tuple(map(int, known[-1].split(","))) if known else (),
            )
        )
    return sorted(
        found, key=lambda s: (s.operated_on, s.case_id, level(s.level).order, s.side, s.number)
    )


def _standing(
    session: Session, screws: Select[int]
) -> Mapping[tuple[int, int], dict[ReadingRole, int]]:
    """Return the readings of screws that nothing supersedes, by screw and scan and role."""
    superseded = select(Reading.supersedes_id).where(Reading.supersedes_id.is_not(None))
    found: dict[tuple[int, int], dict[ReadingRole, int]] = defaultdict(dict)
    for screw, scan, role, reading in session.execute(
        select(Reading.screw_id, Reading.scan_id, Reading.role, Reading.id).where(
            Reading.id.not_in(superseded), Reading.screw_id.in_(screws)
        )
    ):
        found[screw, scan][ReadingRole(role)] = reading
    return found


def _owed(session: Session) -> set[tuple[int, int]]:
    query = select(Assignment.screw_id, Assignment.scan_id).where(
        Assignment.closed_at.is_(None), ~is_fulfilled()
    )
    return {(row[0], row[1]) for row in session.execute(query)}


def owed_rereadings(session: Session, round_id: int) -> int:
    """Return how many re-readings of a round are not made yet, those that cover them included."""
    query = (
        select(Rereading.id)
        .join(Assignment, Assignment.id == Rereading.assignment_id)
        .where(Rereading.round_id == round_id, Assignment.closed_at.is_(None), ~is_fulfilled())
    )
    return len(session.execute(query).all())


def asked_rereadings(session: Session, round_id: int) -> int:
    """Return how many re-readings surgeons have asked for in a round."""
    query = select(Rereading.id).where(
        Rereading.round_id == round_id, Rereading.asked_by_id.is_not(None)
    )
    return len(session.execute(query).all())


def unsettled(
    session: Session, quarter: Quarter, window_days: tuple[int, int]
) -> Sequence[ReplyScrew]:
    """Return the screws of a quarter whose consensus is provisional; for who may see them all."""
    return [screw for screw in _screws(session, quarter, window_days) if screw.is_provisional]


def unread_screws(session: Session, quarter: Quarter, window_days: tuple[int, int]) -> int:
    """Return how many placed screws of a quarter could be graded, are imaged and not read."""
    screws = [
        screw for screw in _screws(session, quarter, window_days) if level(screw.level).needed_walls
    ]
    return sum(screw.scan_id is not None and screw.state is None for screw in screws)


def open_findings_of(session: Session, quarter: Quarter) -> int:
    """Return how many findings of a quarter's cases that the unit's policy names are open."""
    query = (
        select(Finding.id)
        .join(Screw, Screw.id == Finding.screw_id)
        .join(Case, Case.id == Screw.case_id)
        .where(Finding.closed_at.is_(None), Case.operated_on.between(quarter.first, quarter.last))
    )
    return len(session.execute(query).all())
