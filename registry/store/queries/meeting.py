"""Placed screws as a pack for the morbidity meeting is chosen from them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.checks import is_late
from registry.domain.directions import Direction
from registry.domain.techniques import COUNTED_LIVES
from registry.store.models.cases import Case, Screw
from registry.store.models.patients import Patient
from registry.store.models.readings import ConsensusRow
from registry.store.queries.constructs import Found
from registry.store.queries.counted_screws import EXTENT_COLUMNS, audit_scans
from registry.store.queries.imaged import imaged_since
from registry.store.visible import is_withdrawn, visible_cases

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from datetime import date
    from decimal import Decimal

    from sqlalchemy import Select
    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer


@dataclass(frozen=True)
class MeetingScrew:
    """A placed screw, what was found of it on its audit scan, and its case.

    Attributes
    ----------
    entry_technique : the coded word; a unit's own words for another are free text and stay out
    intention : an exit that was planned before the images came, else None
    has_scan : the case has an audit scan
    found : None where nobody has read it there
    found_in : numbers of the readings that this rests on
    """

    screw_id: int
    case_id: int
    case_reference: str
    pseudonym: str
    operated_on: date
    level: str
    side: str
    number: int
    entry_technique: str
    guidance: str
    diameter_mm: Decimal | None
    length_mm: Decimal | None
    intention: str | None
    has_scan: bool
    found: Found | None
    found_in: tuple[int, ...] = ()

    @property
    def extents_mm(self) -> Mapping[Direction, Decimal | None] | None:
        """What was found by direction, None where nothing was or it could not be read."""
        if self.found is None or not self.found.is_assessable:
            return None
        return self.found.extents_mm


@dataclass(frozen=True)
class ScrewsAsked:
    """Which screws are asked for; what is None asks for no less.

    Attributes
    ----------
    start, end : days of operation, both included
    references : of cases
    screw_ids : numbers
    """

    start: date | None = None
    end: date | None = None
    references: Collection[str] | None = None
    screw_ids: Collection[int] | None = None


_COLUMNS = (
    Screw.id.label("screw_id"),
    Screw.case_id,
    Case.reference,
    Patient.pseudonym,
    Case.operated_on,
    Screw.level,
    Screw.side,
    Screw.number,
    Screw.entry_technique,
    Screw.guidance,
    Screw.diameter_mm,
    Screw.length_mm,
    Screw.intention,
    Screw.intention_recorded_at,
)


def meeting_screws(
    session: Session, viewer: Viewer, window_days: tuple[int, int], asked: ScrewsAsked
) -> list[MeetingScrew]:
    """Return the placed screws of the cases that a viewer may look at; no withdrawn patient's."""
    query = _asked(viewer, asked)
    audit, found = audit_scans(session, window_days), _found(session, query)
    imaged = imaged_since(session)
    rows = session.execute(
        query.join(Patient, Patient.id == Case.patient_id)
        .with_only_columns(*_COLUMNS)
        .order_by(Screw.id)
    )
    screws = []
    for row in rows:
        scan = audit.get(row.case_id)
        result, readings = found.get((row.screw_id, scan or 0), (None, ()))
        is_late_intention = is_late(row.intention_recorded_at, imaged.get(row.case_id))
        screws.append(
            MeetingScrew(
                screw_id=row.screw_id,
                case_id=row.case_id,
                case_reference=row.reference,
                pseudonym=row.pseudonym,
                operated_on=row.operated_on,
                level=row.level,
                side=row.side,
                number=row.number,
                entry_technique=row.entry_technique,
                guidance=row.guidance,
                diameter_mm=row.diameter_mm,
                length_mm=row.length_mm,
                intention=None if is_late_intention else row.intention,
                has_scan=scan is not None,
                found=result,
                found_in=readings,
            )
        )
    return screws


def _asked(viewer: Viewer, asked: ScrewsAsked) -> Select[Case]:
    query = (
        visible_cases(viewer)
        .join(Screw, Screw.case_id == Case.id)
        .where(Screw.life.in_(sorted(COUNTED_LIVES)), ~is_withdrawn())
    )
    if asked.start is not None:
        query = query.where(Case.operated_on >= asked.start)
    if asked.end is not None:
        query = query.where(Case.operated_on <= asked.end)
    if asked.references is not None:
        query = query.where(Case.reference.in_(sorted(asked.references)))
    if asked.screw_ids is not None:
        query = query.where(Screw.id.in_(sorted(asked.screw_ids)))
    return query


def _found(
    session: Session, query: Select[Case]
) -> dict[tuple[int, int], tuple[Found | None, tuple[int, ...]]]:
    rows = session.execute(
        select(
            ConsensusRow.screw_id,
            ConsensusRow.scan_id,
            ConsensusRow.state,
            ConsensusRow.is_provisional,
            ConsensusRow.is_assessable,
            ConsensusRow.reading_ids,
            *EXTENT_COLUMNS,
        ).where(ConsensusRow.screw_id.in_(query.with_only_columns(Screw.id)))
    )
    return {
        (row[0], row[1]): (
            Found(row[2], row[3], row[4], dict(zip(Direction, row[6:], strict=True))),
            tuple(map(int, row[5].split(","))),
        )
        for row in rows
    }
