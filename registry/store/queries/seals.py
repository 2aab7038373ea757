"""A quarter's remarks and seals, for who may seal it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.store.models.cases import Case
from registry.store.models.people import Account
from registry.store.models.seals import QuarterRemark, QuarterSeal
from registry.store.models.trail import TrailHead
from registry.store.queries.counted_screws import participants

if TYPE_CHECKING:
    from datetime import datetime

    from sqlalchemy.orm import Session

    from registry.domain.reply import Quarter


@dataclass(frozen=True)
class Remark:
    """A comment or countersignature: whose, when, in which words, of which numbers."""

    kind: str
    words: str | None
    numbers_digest: str | None
    account_id: int
    person_id: int | None
    account: str
    made_at: datetime


@dataclass(frozen=True)
class Seal:
    """A seal or supplement as it was kept.

    Attributes
    ----------
    part : 0 for the seal, from 1 on for supplements
    file_digest : SHA-256 of the file that left
    numbers, records : canonical JSON
    is_kept : its file is in the store of sealed quarters
    """

    part: int
    file_digest: str
    manifest: str
    signature: str
    numbers: str
    records: str
    sealed_by: str
    sealed_at: datetime
    is_kept: bool


def remarks_of(session: Session, period: str) -> list[Remark]:
    """Return what was said of a quarter, the first first."""
    rows = session.execute(
        select(
            QuarterRemark.kind,
            QuarterRemark.words,
            QuarterRemark.numbers_digest,
            Account.id,
            Account.person_id,
            Account.name,
            QuarterRemark.made_at,
        )
        .join(Account, Account.id == QuarterRemark.made_by_id)
        .where(QuarterRemark.period == period)
        .order_by(QuarterRemark.id)
    )
    return [Remark(*row) for row in rows]


def seals_of(session: Session, period: str) -> list[Seal]:
    """Return a quarter's seal and its supplements, in their order; empty where it has none."""
    rows = session.execute(
        select(
            QuarterSeal.part,
            QuarterSeal.file_digest,
            QuarterSeal.manifest,
            QuarterSeal.signature,
            QuarterSeal.numbers,
            QuarterSeal.records,
            Account.name,
            QuarterSeal.sealed_at,
            QuarterSeal.is_kept,
        )
        .join(Account, Account.id == QuarterSeal.sealed_by_id)
        .where(QuarterSeal.period == period)
        .order_by(QuarterSeal.part)
    )
    return [Seal(*row[:-1], is_kept=bool(row[-1])) for row in rows]


def sealed_at(session: Session, period: str) -> datetime | None:
    """Return when a quarter was sealed, None where it is not."""
    return session.execute(
        select(QuarterSeal.sealed_at).where(QuarterSeal.period == period, QuarterSeal.part == 0)
    ).scalar_one_or_none()


def sealed_periods(session: Session) -> frozenset[str]:
    """Return which quarters are sealed."""
    return frozenset(
        session.execute(select(QuarterSeal.period).where(QuarterSeal.part == 0)).scalars()
    )


def trail_end(session: Session) -> tuple[int, str]:
    """Return the trail's length and head, by which a later look sees that something was written."""
    row = session.execute(select(TrailHead.length, TrailHead.head)).one()
    return (row[0], row[1])


def part_taken(session: Session, quarter: Quarter, person_id: int | None) -> frozenset[int]:
    """Return the quarter's cases in which somebody operated or assisted, by number alone."""
    if person_id is None:
        return frozenset()
    teams = participants(session)
    asked = select(Case.id).where(Case.operated_on.between(quarter.first, quarter.last))
    return frozenset(
        case for case in session.execute(asked).scalars() if person_id in teams.get(case, ())
    )


def is_any_sealed(session: Session) -> bool:
    """Return whether the ledger has sealed any quarter."""
    return session.execute(select(QuarterSeal.id).limit(1)).first() is not None


def is_sealed_since(session: Session, instant: datetime) -> bool:
    """Return whether anything was sealed at that instant or after it."""
    asked = select(QuarterSeal.id).where(QuarterSeal.sealed_at >= instant).limit(1)
    return session.execute(asked).first() is not None
