"""What entering a case by hand asks: who there is, what is taken, what an earlier case left."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import func, select

from registry.domain.levels import level
from registry.domain.problems import NotFoundError
from registry.domain.techniques import COUNTED_LIVES, Life
from registry.store.models.cases import Case, Screw
from registry.store.models.patients import Patient
from registry.store.models.people import Person
from registry.store.visible import enterable_cases, entered_cases, visible_cases

if TYPE_CHECKING:
    from datetime import date
    from decimal import Decimal

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer


@dataclass(frozen=True)
class EarlierScrew:
    """A screw of an earlier case of the same patient."""

    screw_id: int
    level: str
    side: str
    number: int
    operated_on: date
    diameter_mm: Decimal | None
    length_mm: Decimal | None


@dataclass(frozen=True)
class SavedCase:
    """A case as it is told to who entered it; `is_visible` says whether they may look at it."""

    case_id: int
    reference: str
    operated_on: date
    screws: int
    placed: int
    top: str
    bottom: str
    is_visible: bool


def names_to_choose(session: Session) -> list[str]:
    """Return every person's name, in the order of the alphabet."""
    return sorted(session.execute(select(Person.name)).scalars(), key=str.casefold)


def is_reference_taken(session: Session, reference: str) -> bool:
    """Return whether a case has this reference."""
    found = select(func.count()).select_from(Case).where(Case.reference == reference)
    return session.execute(found).scalar_one() > 0


def earlier_screws(
    session: Session, viewer: Viewer, reference_hash: str, before: date | None
) -> list[EarlierScrew]:
    """Return what a patient's earlier cases left in place, of the cases within a viewer's reach.

    `before` is the day of the new operation; without it every case of the patient is earlier.
    """
    cases = enterable_cases(viewer).with_only_columns(Case.id)
    query = (
        select(
            Screw.id,
            Screw.level,
            Screw.side,
            Screw.number,
            Case.operated_on,
            Screw.diameter_mm,
            Screw.length_mm,
        )
        .join(Case, Case.id == Screw.case_id)
        .join(Patient, Patient.id == Case.patient_id)
        .where(
            Case.id.in_(cases),
            Patient.reference_hash == reference_hash,
            Screw.life != Life.REMOVED,
        )
    )
    if before is not None:
        query = query.where(Case.operated_on <= before)
    found = [EarlierScrew(*row) for row in session.execute(query)]
    return sorted(
        found,
        key=lambda screw: (
            level(screw.level).order,
            screw.side,
            screw.number,
            -screw.operated_on.toordinal(),
        ),
    )


def saved_case(session: Session, viewer: Viewer, case_id: int) -> SavedCase:
    """Return a case that the viewer has entered; NotFoundError where it is none of theirs."""
    case = session.execute(entered_cases(viewer).where(Case.id == case_id)).scalar_one_or_none()
    if case is None:
        raise NotFoundError("there is no such case among those you have entered")
    screws = session.execute(select(Screw.level, Screw.life).where(Screw.case_id == case_id)).all()
    ordered = sorted((row.level for row in screws), key=lambda code: level(code).order)
    visible = session.execute(visible_cases(viewer).where(Case.id == case_id)).first()
    return SavedCase(
        case_id=case.id,
        reference=case.reference,
        operated_on=case.operated_on,
        screws=len(screws),
        placed=sum(row.life in COUNTED_LIVES for row in screws),
        top=ordered[0] if ordered else "",
        bottom=ordered[-1] if ordered else "",
        is_visible=visible is not None,
    )
