"""What became of a patient after a case, for who may look at the case."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.problems import NotFoundError
from registry.store.models.cases import Case, Screw
from registry.store.models.outcomes import Outcome
from registry.store.models.people import Person
from registry.store.visible import is_withdrawn, visible_cases, visible_outcomes

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer


@dataclass(frozen=True)
class OutcomeOfCase:
    """One outcome.

    Attributes
    ----------
    screw : as a person names it, '' where it is about the whole case
    days_after : the operation
    texts : as a form holds it, by the name of the form's field
    """

    outcome_id: int
    version: int
    case_id: int
    screw: str
    observed_on: date
    days_after: int
    texts: Mapping[str, str]


@dataclass(frozen=True)
class CaseForOutcome:
    """What recording an outcome needs of a case; screws by number, as a person names them."""

    case_id: int
    reference: str
    operated_on: date
    screws: Mapping[int, str]


def outcomes_of_case(session: Session, viewer: Viewer, case_id: int) -> list[OutcomeOfCase]:
    """Return a case's outcomes, the earliest first."""
    rows = session.execute(
        visible_outcomes(viewer)
        .where(Outcome.case_id == case_id)
        .order_by(Outcome.observed_on, Outcome.id)
    ).scalars()
    operated = session.execute(select(Case.operated_on).where(Case.id == case_id)).scalar()
    names = {row[0]: row[1] for row in session.execute(select(Person.id, Person.name))}
    screws = _screws(session, case_id)
    return [
        OutcomeOfCase(
            row.id,
            row.version,
            row.case_id,
            screws.get(row.screw_id or 0, ""),
            row.observed_on,
            (row.observed_on - operated).days if operated else 0,
            _texts(row, names),
        )
        for row in rows
    ]


def _texts(row: Outcome, names: Mapping[int, str]) -> dict[str, str]:
    return {
        "observed_on": row.observed_on.isoformat(),
        "screw_id": "" if row.screw_id is None else str(row.screw_id),
        "has_deficit": "yes" if row.has_deficit else "no",
        "deficit_words": row.deficit_words or "",
        "is_revised_for_position": "yes" if row.is_revised_for_position else "no",
        "action": row.action or "",
        "told_on": "" if row.told_on is None else row.told_on.isoformat(),
        "told_by": names.get(row.told_by_id or 0, ""),
    }


def case_for_outcome(session: Session, viewer: Viewer, case_id: int) -> CaseForOutcome:
    """Return a case that a viewer may look at; NotFoundError for none of theirs, or a withdrawn."""
    case = session.execute(
        visible_cases(viewer).where(Case.id == case_id, ~is_withdrawn())
    ).scalar_one_or_none()
    if case is None:
        raise NotFoundError("there is no such case among those you may add to")
    return CaseForOutcome(case.id, case.reference, case.operated_on, _screws(session, case_id))


def _screws(session: Session, case_id: int) -> dict[int, str]:
    rows = session.execute(
        select(Screw.id, Screw.level, Screw.side, Screw.number)
        .where(Screw.case_id == case_id)
        .order_by(Screw.id)
    )
    return {row[0]: f"{row[1]} {row[2]}" + (f" ({row[3]})" if row[3] > 1 else "") for row in rows}
