"""Second readings, repeated readings and adjudications as who sees to them looks at them."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import and_, exists, func, or_, select
from sqlalchemy.orm import aliased

from registry.domain.access import Deed, Reach, Role, Viewer, reach
from registry.domain.readings import ReadingRole
from registry.store.models.cases import Case, Screw
from registry.store.models.people import Account, AccountRole, Person
from registry.store.models.readings import Assignment, Draw, Reading
from registry.store.models.scans import HeldImage, Scan
from registry.store.visible import is_fulfilled, ordered_assignments, took_part, visible_readings

if TYPE_CHECKING:
    from datetime import date, datetime
    from decimal import Decimal

    from sqlalchemy.orm import Session


@dataclass(frozen=True)
class OpenAdjudication:
    """An adjudication that is owed; what the readings found is not told.

    Attributes
    ----------
    assignment_id : names it
    level, side, number : which screw
    asked_at : when
    reader_id, reader : who was appointed, None where any lead may take it
    is_held_here : whether its image is; else it can only be loaded
    """

    assignment_id: int
    level: str
    side: str
    number: int
    asked_at: datetime
    reader_id: int | None
    reader: str | None
    is_held_here: bool


def open_adjudications(
    session: Session, viewer: Viewer, assignment_id: int | None = None
) -> list[OpenAdjudication]:
    """Return the adjudications that are owed, the oldest first; all, or one."""
    query = (
        ordered_assignments(viewer)
        .join(Screw, Screw.id == Assignment.screw_id)
        .join(Scan, Scan.id == Assignment.scan_id)
        .outerjoin(HeldImage, (HeldImage.id == Scan.image_id) & HeldImage.removed_at.is_(None))
        .outerjoin(Person, Person.id == Assignment.reader_id)
        .where(
            Assignment.role == ReadingRole.ADJUDICATION,
            Assignment.closed_at.is_(None),
            ~is_fulfilled(),
        )
        .order_by(Assignment.made_at, Assignment.id)
        .with_only_columns(
            Assignment.id,
            Screw.level,
            Screw.side,
            Screw.number,
            Assignment.made_at,
            Assignment.reader_id,
            Person.name,
            HeldImage.id.is_not(None),
        )
    )
    if assignment_id is not None:
        query = query.where(Assignment.id == assignment_id)
    return [OpenAdjudication(*tuple(row)) for row in session.execute(query)]


def is_free_to_read(session: Session, assignment_id: int, person_id: int) -> bool:
    """Return whether a person took no part in the case and has not read the screw."""
    has_read = exists().where(
        Reading.screw_id == Assignment.screw_id,
        Reading.scan_id == Assignment.scan_id,
        Reading.reader_id == person_id,
    )
    query = (
        select(Assignment.id)
        .join(Screw, Screw.id == Assignment.screw_id)
        .join(Case, Case.id == Screw.case_id)
        .where(Assignment.id == assignment_id, ~took_part(person_id), ~has_read)
    )
    return session.execute(query).first() is not None


@dataclass(frozen=True)
class Reader:
    """A person who may read screws, and the account by which they do."""

    person_id: int
    name: str
    viewer: Viewer


def readers(session: Session) -> list[Reader]:
    """Return who may read screws, by name; a person with several accounts once, with all roles."""
    query = (
        select(Account.id, Account.name, Person.id, Person.name, AccountRole.role)
        .join(Person, Person.id == Account.person_id)
        .join(
            AccountRole,
            and_(AccountRole.account_id == Account.id, AccountRole.taken_at.is_(None)),
        )
        .where(~Account.is_disabled, ~Account.is_local_operator)
        .order_by(Account.id)
    )
    roles: dict[int, set[Role]] = defaultdict(set)
    known: dict[int, tuple[int, str, str]] = {}
    for account_id, account, person_id, person, role in session.execute(query):
        roles[person_id].add(Role(role))
        known.setdefault(person_id, (account_id, account, person))
    found = [
        Reader(person_id, person, Viewer(account_id, account, person_id, frozenset(held)))
        for person_id, held in roles.items()
        for account_id, account, person in [known[person_id]]
    ]
    reading = [each for each in found if reach(each.viewer, Deed.READ_SCREWS) is Reach.ALL]
    return sorted(reading, key=lambda each: (each.name.casefold(), each.person_id))


@dataclass(frozen=True)
class OrderedReading:
    """A second or a repeated reading that was asked for, and what became of it."""

    operated_on: date
    reason: str
    is_repeated: bool
    asked_at: datetime
    is_closed: bool
    is_done: bool


def ordered_readings(session: Session, viewer: Viewer) -> list[OrderedReading]:
    """Return every second and every repeated reading that was asked for."""
    query = (
        ordered_assignments(viewer)
        .join(Screw, Screw.id == Assignment.screw_id)
        .join(Case, Case.id == Screw.case_id)
        .where(or_(Assignment.role == ReadingRole.SECOND, Assignment.supersedes_id.is_not(None)))
        .with_only_columns(
            Case.operated_on,
            Assignment.reason,
            Assignment.supersedes_id.is_not(None),
            Assignment.made_at,
            Assignment.closed_at.is_not(None),
            is_fulfilled(),
        )
    )
    return [
        OrderedReading(row[0], row[1], bool(row[2]), row[3], bool(row[4]), bool(row[5]))
        for row in session.execute(query)
    ]


@dataclass(frozen=True)
class OwedOrder:
    """A reading that was asked for and is still owed, by whomever: its role and since when."""

    role: str
    asked_at: datetime


def owed_orders(session: Session, viewer: Viewer) -> list[OwedOrder]:
    """Return every reading that is owed, the oldest first."""
    query = (
        ordered_assignments(viewer)
        .where(Assignment.closed_at.is_(None), ~is_fulfilled())
        .order_by(Assignment.made_at, Assignment.id)
        .with_only_columns(Assignment.role, Assignment.made_at)
    )
    return [OwedOrder(row[0], row[1]) for row in session.execute(query)]


def first_readings_by_day(session: Session, viewer: Viewer) -> dict[date, int]:
    """Return how many first readings stand, by the day of the operation."""
    later = aliased(Reading)
    query = (
        visible_readings(viewer)
        .join(Screw, Screw.id == Reading.screw_id)
        .join(Case, Case.id == Screw.case_id)
        .where(
            Reading.role == ReadingRole.FIRST,
            ~exists().where(later.supersedes_id == Reading.id),
        )
        .group_by(Case.operated_on)
        .with_only_columns(Case.operated_on, func.count())
    )
    return {row[0]: row[1] for row in session.execute(query)}


@dataclass(frozen=True)
class QuarterDraw:
    """A quarter's seed and share, as recorded."""

    period: str
    seed: str
    share_percent: Decimal
    made_at: datetime


def quarter_draws(session: Session) -> list[QuarterDraw]:
    """Return every draw that was made."""
    query = select(Draw.period, Draw.seed, Draw.share_percent, Draw.made_at).order_by(Draw.period)
    return [QuarterDraw(*row) for row in session.execute(query)]
