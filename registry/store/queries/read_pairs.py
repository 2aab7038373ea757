"""Screws read twice on their audit scan, for comparing readers; unlabelled.

No viewer is asked here: `actions.agreement` shows sums, to who may see them all, and to a reader
sums over many of their own pairs.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.counted import counted_readings
from registry.domain.directions import Direction
from registry.domain.readings import CountedReading, ProposalSeen, ReadingFacts, ReadingRole
from registry.domain.techniques import COUNTED_LIVES
from registry.store.models.cases import Case, Screw
from registry.store.models.patients import Patient
from registry.store.models.readings import Assignment, Reading
from registry.store.queries.counted_screws import audit_scans
from registry.store.queries.readings import READING_EXTENTS

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, datetime
    from decimal import Decimal

    from sqlalchemy.orm import Session

_LIVES = [life.value for life in COUNTED_LIVES]
_TWO = (ReadingRole.FIRST, ReadingRole.SECOND)


@dataclass(frozen=True)
class OneOfTwo:
    """One of a screw's two readings.

    Attributes
    ----------
    reader_id : person
    is_blind : neither the case nor what the program measured had been shown to its reader
    extents_mm : by direction, None where not measured
    """

    reader_id: int
    read_on: date
    recorded_at: datetime
    is_blind: bool
    is_assessable: bool
    extents_mm: Mapping[Direction, Decimal | None]


@dataclass(frozen=True)
class ScrewReadTwice:
    """A placed screw with both its readings on the audit scan.

    Attributes
    ----------
    patient : pseudonym
    why : why a second one was asked for; None where nobody here asked
    """

    screw_id: int
    patient: str
    level: str
    operated_on: date
    first: OneOfTwo
    second: OneOfTwo
    why: str | None


def screws_read_twice(session: Session, window_days: tuple[int, int]) -> list[ScrewReadTwice]:
    """Return every screw with a first and a second reading on its audit scan, by number.

    Of readings that replaced one another the blind one is taken, whatever the unit counts.
    """
    scans = set(audit_scans(session, window_days).values())
    asked = _asked(session)
    rows = defaultdict(list)
    twice = select(Reading.screw_id).where(Reading.role == ReadingRole.SECOND)
    query = (
        select(Reading, Screw.level, Case.operated_on, Patient.pseudonym)
        .join(Screw, Screw.id == Reading.screw_id)
        .join(Case, Case.id == Screw.case_id)
        .join(Patient, Patient.id == Case.patient_id)
        .where(Reading.screw_id.in_(twice), Screw.life.in_(_LIVES))
        .with_only_columns(
            Reading.screw_id,
            Reading.scan_id,
            Screw.level,
            Case.operated_on,
            Patient.pseudonym,
            Reading.id,
            Reading.role,
            Reading.supersedes_id,
            Reading.proposal_seen,
            Reading.reader_id,
            Reading.read_on,
            Reading.recorded_at,
            Reading.is_blind,
            Reading.is_assessable,
            *READING_EXTENTS,
        )
        .order_by(Reading.screw_id, Reading.id)
    )
    for row in session.execute(query):
        if row[1] in scans:
            rows[row[0], row[1]].append(tuple(row))
    found = []
    for place, each in rows.items():
        two = _two(each)
        if two is not None:
            level, operated_on, patient = each[0][2:5]
            found.append(
                ScrewReadTwice(place[0], patient, level, operated_on, *two, asked.get(place))
            )
    return found


def _asked(session: Session) -> dict[tuple[int, int], str]:
    query = select(Assignment.screw_id, Assignment.scan_id, Assignment.reason).where(
        Assignment.role == ReadingRole.SECOND, Assignment.supersedes_id.is_(None)
    )
    return {(row[0], row[1]): row[2] for row in session.execute(query)}


def _two(rows: list[tuple[object, ...]]) -> tuple[OneOfTwo, OneOfTwo] | None:
    facts = [_facts(row) for row in rows]
    counting = {each.reading_id for each in counted_readings(facts, CountedReading.BLIND)}
    by_role = {
        each.role: _one(row, each)
        for row, each in zip(rows, facts, strict=True)
        if each.reading_id in counting
    }
    first, second = (by_role.get(role) for role in _TWO)
    return None if first is None or second is None else (first, second)


def _facts(row: tuple[object, ...]) -> ReadingFacts:
    number, role, supersedes, seen = row[5:9]
    return ReadingFacts(
        number,  # type: ignore[arg-type]
        ReadingRole(str(role)),
        is_assessable=bool(row[13]),
        extents_mm=dict(zip(Direction, row[14:], strict=True)),  # type: ignore[arg-type]
        supersedes=supersedes,  # type: ignore[arg-type]
        proposal_seen=None if seen is None else ProposalSeen(str(seen)),
    )


def _one(row: tuple[object, ...], facts: ReadingFacts) -> OneOfTwo:
    return OneOfTwo(
        reader_id=row[9],  # type: ignore[arg-type]
        read_on=row[10],  # type: ignore[arg-type]
        recorded_at=row[11],  # type: ignore[arg-type]
        is_blind=bool(row[12]) and facts.proposal_seen is None,
        is_assessable=facts.is_assessable,
        extents_mm=facts.extents_mm,
    )
