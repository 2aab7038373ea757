"""Enter a case and its screws by hand: all of it or nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.actions.patients import (
    NamedPatient,
    enter_patients,
    is_born_otherwise,
    patient_hash,
)
from registry.actions.persons import Persons, add_person
from registry.domain.access import Deed, Reach, require
from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.domain.words import folded
from registry.intake.entered import CASE, SCREW, people_of, place_of
from registry.store.models.cases import Case, CaseAssistant, Screw
from registry.store.queries.entering import (
    EarlierScrew,
    earlier_screws,
    is_reference_taken,
    names_to_choose,
)
from registry.store.queries.known_cases import known_patients
from registry.store.queries.people import person_ids

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable
    from datetime import date, datetime

    from registry.domain.access import Viewer
    from registry.intake.entered import EnteredCase, EnteredScrew
    from registry.store.home import Ledger
    from registry.store.writing import Writing

_NOTHING_LOST = "nothing was saved; everything is still in the form"


@dataclass(frozen=True)
class Entered:
    """A case that was entered."""

    case_id: int
    new_persons: tuple[str, ...]


def enter_case(
    ledger: Ledger,
    viewer: Viewer,
    case: EnteredCase,
    *,
    new_persons: Collection[str] = (),
    now: datetime,
) -> Entered:
    """Enter a case as typed.

    `new_persons` are the names that were confirmed as people whom the ledger does not know.

    Raises
    ------
    BadInputError
        a name that is unknown and not confirmed, another's case, a screw that cannot be replaced
    ConflictError
        the reference is taken, or the patient is known otherwise
    """
    far = require(viewer, Deed.ENTER_CASES)
    with ledger.writing(viewer, now) as work:
        _refuse_known(ledger, work, case)
        persons, made = _persons(work, case, new_persons)
        if far is Reach.OWN and viewer.person_id not in _participants(case, persons):
            raise BadInputError(
                Fault(
                    f"{viewer.name} took no part in this case",
                    place_of(CASE, "surgeon"),
                    "a surgeon's account enters own cases only",
                )
            )
        _check_replaced(ledger, work, viewer, case)
        case_id = _enter(ledger, work, viewer, case, persons)
    return Entered(case_id, tuple(made))


def _refuse_known(ledger: Ledger, work: Writing, case: EnteredCase) -> None:
    """Refuse a reference that is taken and a patient who is known otherwise."""
    faults = []
    if is_reference_taken(work.session, case.case_ref):
        faults.append(
            Fault(
                f"'{case.case_ref}' is in the ledger already",
                place_of(CASE, "case_ref"),
                f"{_NOTHING_LOST}: give another reference, or look at the case that is there",
            )
        )
    hashed = patient_hash(ledger, case.patient_ref)
    known = known_patients(work.session, hashed).get(hashed)
    if is_born_otherwise(ledger, NamedPatient(case.patient_ref, case.birth_date), known):
        faults.append(
            Fault(
                "the ledger keeps another day for this patient",
                place_of(CASE, "birth_date"),
                f"{_NOTHING_LOST}: check the hospital number and the day",
            )
        )
    if faults:
        raise ConflictError(*faults)


def _persons(
    work: Writing, case: EnteredCase, confirmed: Collection[str]
) -> tuple[Persons, list[str]]:
    """Return the people of a case, those who are new made where their names were confirmed."""
    named = people_of(case)
    known = person_ids(work.session, named)
    agreed = {folded(name) for name in confirmed}
    unknown = {name: where for name, where in named.items() if folded(name) not in known}
    faults = [
        Fault(f"nobody is known as '{name}'", where, "correct the name, or say that they are new")
        for name, where in unknown.items()
        if folded(name) not in agreed
    ]
    if faults:
        raise BadInputError(*faults)
    made: dict[str, str] = {}
    for name in unknown:
        made.setdefault(folded(name), name)
    ids = known | {key: add_person(work, name) for key, name in made.items()}
    return Persons(ids), list(made.values())


def _participants(case: EnteredCase, persons: Persons) -> set[int]:
    return {persons.id_of(name) for name in people_of(case)}


def _check_replaced(ledger: Ledger, work: Writing, viewer: Viewer, case: EnteredCase) -> None:
    """Refuse a replaced screw that is none of this patient's at the same level and side."""
    replacing = [screw for screw in case.screws if screw.replaces_id is not None]
    if not replacing:
        return
    hashed = patient_hash(ledger, case.patient_ref)
    there = {
        found.screw_id: (found.level, found.side)
        for found in earlier_screws(work.session, viewer, hashed, case.operated_on)
    }
    taken: set[int | None] = set()
    faults = []
    for screw in replacing:
        wanted = (screw.place.level, screw.place.side.value)
        if there.get(screw.replaces_id or 0) != wanted or screw.replaces_id in taken:
            faults.append(
                Fault(
                    "is no earlier screw of this patient at this place, or is replaced twice",
                    place_of(SCREW, "replaces_id", screw.place),
                    "look up the earlier screws again and choose one of them",
                )
            )
        taken.add(screw.replaces_id)
    if faults:
        raise BadInputError(*faults)


def _enter(
    ledger: Ledger, work: Writing, viewer: Viewer, case: EnteredCase, persons: Persons
) -> int:
    hashed = patient_hash(ledger, case.patient_ref)
    named = NamedPatient(case.patient_ref, case.birth_date)
    patients, _ = enter_patients(ledger, work, [named], known_patients(work.session, hashed))
    case_id = work.insert(
        Case,
        "enter a case",
        reference=case.case_ref,
        patient_id=patients[hashed],
        entered_by_id=viewer.account_id,
        source_name="by hand",
        operated_on=case.operated_on,
        surgeon_id=persons.id_of(case.surgeon),
        second_surgeon_id=persons.id_or_none(case.second_surgeon),
        indication=case.indication,
        is_revision=case.revision,
        cobb_deg=case.cobb_deg,
        body_mass_index=case.bmi,
        bone_quality=case.bone_quality,
        approach=case.approach,
        no_scan_reason=case.no_ct_reason,
    )
    for person_id in sorted({persons.id_of(name) for name in case.assistants or ()}):
        work.insert(CaseAssistant, "add an assistant", case_id=case_id, person_id=person_id)
    for screw in case.screws:
        work.insert(
            Screw,
            "enter a screw",
            case_id=case_id,
            **screw_values(screw, persons),
            intention_recorded_at=None if screw.intention is None else work.now,
        )
    return case_id


def screw_values(screw: EnteredScrew, persons: Persons) -> dict[str, Any]:
    """Return a typed screw as its row holds it, but for what the ledger itself adds."""
    return {
        "level": screw.place.level,
        "side": screw.place.side.value,
        "number": screw.place.number,
        "entry_technique": screw.entry_technique.value,
        "technique_words": screw.technique_words,
        "guidance": screw.guidance.value,
        "operator_id": persons.id_or_none(screw.operator),
        "operator_grade": screw.operator_grade,
        "supervision": screw.supervision,
        "diameter_mm": screw.diameter_mm,
        "length_mm": screw.length_mm,
        "alloy": screw.alloy,
        "curve_side": screw.curve_side,
        "is_at_apex": screw.is_at_apex,
        "intention": screw.intention,
        "implant_identifier": screw.implant_identifier,
        "life": screw.life.value,
        "first_track": screw.first_track,
        "replaces_id": screw.replaces_id,
    }


def known_names(ledger: Ledger, viewer: Viewer) -> list[str]:
    """Return the names that may be chosen for a case."""
    require(viewer, Deed.ENTER_CASES)
    with ledger.reading() as session:
        return names_to_choose(session)


def unknown_names(ledger: Ledger, viewer: Viewer, names: Iterable[str]) -> list[str]:
    """Return which names nobody goes by, each once."""
    require(viewer, Deed.ENTER_CASES)
    wanted = list(names)
    with ledger.reading() as session:
        known = person_ids(session, wanted)
    fresh: dict[str, str] = {}
    for name in wanted:
        if folded(name) not in known:
            fresh.setdefault(folded(name), name)
    return list(fresh.values())


def look_up_earlier(
    ledger: Ledger, viewer: Viewer, patient_ref: str, operated_on: date | None, now: datetime
) -> list[EarlierScrew]:
    """Return the screws that earlier cases of a patient left; finding the patient is an event."""
    require(viewer, Deed.ENTER_CASES)
    hashed = patient_hash(ledger, patient_ref)
    with ledger.writing(viewer, now) as work:
        found = earlier_screws(work.session, viewer, hashed, operated_on)
        patient = known_patients(work.session, hashed).get(hashed)
        if patient is not None:
            work.note(
                "open the vault",
                f"patient:{patient.patient_id}",
                "found by hospital number, to enter a revision",
            )
    return found
