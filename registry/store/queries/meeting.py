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


def meeting_screws(
    session: Session, viewer: Viewer, window_days: tuple[int, int], asked: ScrewsAsked
) -> list[MeetingScrew]:
    """Return the placed screws of the cases that a viewer may look at; no withdrawn patient's."""
    query = _asked(viewer, asked)
    audit, found = audit_scans(session, window_days), _found(session, query)
    imaged = imaged_since(session)
    rows = session.execute(
        query.join(Patient, Patient.id == Case.patient_id)
        .with_only_columns(Screw, Case, Patient.pseudonym)
        .order_by(Screw.id)
    )
    return [
        MeetingScrew(
            screw_id=screw.id,
            case_id=case.id,
            case_reference=case.reference,
            pseudonym=pseudonym,
            operated_on=case.operated_on,
            level=screw.level,
            side=screw.side,
            number=screw.number,
            entry_technique=screw.entry_technique,
            guidance=screw.guidance,
            diameter_mm=screw.diameter_mm,
            length_mm=screw.length_mm,
            intention=None
            if is_late(screw.intention_recorded_at, imaged.get(case.id))
            else screw.intention,
            has_scan=case.id in audit,
            found=result[0],
            found_in=result[1],
        )
        for screw, case, pseudonym in rows
        for result in [found.get((screw.id, audit.get(case.id, 0)), (None, ()))]
    ]


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
