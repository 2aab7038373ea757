"""A case and its screws as they stand, for putting them right."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.levels import level
from registry.domain.problems import NotFoundError
from registry.store.models.cases import Case, CaseAssistant, Screw
from registry.store.models.patients import Patient
from registry.store.models.people import Person
from registry.store.models.readings import Reading
from registry.store.visible import correctable_cases

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from decimal import Decimal

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer


@dataclass(frozen=True)
class ScrewAsEntered:
    """A screw as a form holds it.

    Attributes
    ----------
    texts : by the name of the form's field
    is_read : whether a reading that stands has measured it
    """

    screw_id: int
    version: int
    level: str
    side: str
    number: int
    texts: Mapping[str, str]
    is_read: bool

    @property
    def words(self) -> str:
        """The screw as a person names it."""
        more = f" ({self.number})" if self.number > 1 else ""
        return f"{self.level} {self.side}{more}"


@dataclass(frozen=True)
class CaseAsEntered:
    """A case as a form holds it; `patient_hash` finds earlier cases and is never shown."""

    case_id: int
    version: int
    reference: str
    texts: Mapping[str, str]
    screws: Sequence[ScrewAsEntered]
    patient_hash: str

    def screw(self, screw_id: int) -> ScrewAsEntered:
        """Return one of its screws; NotFoundError where it is none."""
        found = next((screw for screw in self.screws if screw.screw_id == screw_id), None)
        if found is None:
            raise NotFoundError("there is no such screw among those you may correct")
        return found


def case_as_entered(session: Session, viewer: Viewer, case_id: int) -> CaseAsEntered:
    """Return a case as it stands; NotFoundError where it is not the viewer's to correct."""
    case = session.execute(correctable_cases(viewer).where(Case.id == case_id)).scalar_one_or_none()
    if case is None:
        raise NotFoundError("there is no such case among those you may correct")
    names = {row[0]: row[1] for row in session.execute(select(Person.id, Person.name))}
    hashed = session.execute(
        select(Patient.reference_hash).where(Patient.id == case.patient_id)
    ).scalar_one()
    assistants = session.execute(
        select(CaseAssistant.person_id).where(CaseAssistant.case_id == case_id)
    ).scalars()
    texts = {
        "case_ref": case.reference,
        "operated_on": case.operated_on.isoformat(),
        "surgeon": names[case.surgeon_id],
        "second_surgeon": names.get(case.second_surgeon_id or 0, ""),
        "assistants": " | ".join(sorted(names[person] for person in assistants)),
        "indication": case.indication or "",
        "revision": {None: "", True: "revision", False: "primary"}[case.is_revision],
        "approach": case.approach or "",
        "cobb_deg": _number(case.cobb_deg),
        "bone_quality": case.bone_quality or "",
        "bmi": _number(case.body_mass_index),
        "no_ct_reason": case.no_scan_reason or "",
    }
    screws = _screws(session, case_id, names)
    return CaseAsEntered(case.id, case.version, case.reference, texts, screws, hashed)


def _screws(session: Session, case_id: int, names: Mapping[int, str]) -> list[ScrewAsEntered]:
    superseded = select(Reading.supersedes_id).where(Reading.supersedes_id.is_not(None))
    read = set(
        session.execute(
            select(Reading.screw_id)
            .join(Screw, Screw.id == Reading.screw_id)
            .where(Screw.case_id == case_id, Reading.is_assessable, Reading.id.not_in(superseded))
        ).scalars()
    )
    found = session.execute(select(Screw).where(Screw.case_id == case_id)).scalars()
    ordered = sorted(found, key=lambda each: (level(each.level).order, each.side, each.number))
    return [
        ScrewAsEntered(
            screw.id,
            screw.version,
            screw.level,
            screw.side,
            screw.number,
            _texts(screw, names),
            screw.id in read,
        )
        for screw in ordered
    ]


def _texts(screw: Screw, names: Mapping[int, str]) -> dict[str, str]:
    return {
        "level": screw.level,
        "side": screw.side,
        "number": str(screw.number),
        "entry_technique": screw.entry_technique,
        "technique_words": screw.technique_words or "",
        "guidance": screw.guidance,
        "operator": names.get(screw.operator_id or 0, ""),
        "operator_grade": screw.operator_grade or "",
        "supervision": screw.supervision or "",
        "diameter_mm": _number(screw.diameter_mm),
        "length_mm": _number(screw.length_mm),
        "alloy": screw.alloy or "",
        "life": screw.life,
        "first_track": screw.first_track or "",
        "intention": screw.intention or "",
        "curve_side": screw.curve_side or "",
        "is_at_apex": {None: "", True: "yes", False: "no"}[screw.is_at_apex],
        "implant_identifier": screw.implant_identifier or "",
        "replaces_id": "" if screw.replaces_id is None else str(screw.replaces_id),
    }


def _number(value: Decimal | None) -> str:
    return "" if value is None else str(value)


def correctable_case_id(session: Session, viewer: Viewer, reference: str) -> int:
    """Return the case with this reference; NotFoundError where it is not theirs to correct."""
    found = session.execute(
        correctable_cases(viewer).where(Case.reference == reference).with_only_columns(Case.id)
    ).scalar()
    if found is None:
        raise NotFoundError("there is no case of this reference among those you may correct")
    return int(found)


def correctable_numbers(session: Session, viewer: Viewer) -> set[int]:
    """Return the cases that a viewer may correct, by number alone."""
    asked = correctable_cases(viewer).with_only_columns(Case.id)
    return set(session.execute(asked).scalars())


def assistant_rows(session: Session, case_id: int) -> dict[int, int]:
    """Return the row of each assistant of a case, by person."""
    rows = session.execute(
        select(CaseAssistant.person_id, CaseAssistant.id).where(CaseAssistant.case_id == case_id)
    )
    return {row[0]: row[1] for row in rows}


def standing_readers(session: Session, case_id: int) -> dict[int, str]:
    """Return who made a reading of a case's screws that stands, by person."""
    superseded = select(Reading.supersedes_id).where(Reading.supersedes_id.is_not(None))
    rows = session.execute(
        select(Person.id, Person.name)
        .join(Reading, Reading.reader_id == Person.id)
        .join(Screw, Screw.id == Reading.screw_id)
        .where(Screw.case_id == case_id, Reading.id.not_in(superseded))
    )
    return {row[0]: row[1] for row in rows}
