"""Load a theatre log: all of it or nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.actions.assign import assign_on_held_scans
from registry.actions.loading import LoadOutcome, TableFile, kept_unless
from registry.actions.patients import (
    NamedPatient,
    enter_patients,
    is_born_otherwise,
    patient_hash,
)
from registry.actions.persons import Persons, find_persons
from registry.domain.access import Deed, Reach, Viewer, require
from registry.domain.checks import ScrewFacts, case_warnings
from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.domain.techniques import EntryTechnique, Intention, Life
from registry.intake.parsed import where
from registry.intake.theatre_log import LogCase, LogScrew, read_theatre_log
from registry.store.models.cases import Case, CaseAssistant, Screw
from registry.store.queries.known_cases import (
    KnownCase,
    KnownPatient,
    known_cases,
    known_patients,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date, datetime

    from registry.intake.parsed import Parsed
    from registry.store.home import Ledger
    from registry.store.writing import Writing


def load_log(
    ledger: Ledger,
    viewer: Viewer,
    table: TableFile,
    *,
    new_persons: bool = False,
    only_check: bool = False,
    today: date,
    now: datetime,
) -> LoadOutcome:
    """Load a theatre log.

    Raises
    ------
    BadInputError
        every fault of every row; nothing was changed
    ConflictError
        every case or screw that is known with other values; nothing was changed
    """
    far = require(viewer, Deed.ENTER_CASES)
    parsed = read_theatre_log(table.data, table.name, table.encoding, today)
    outcome = LoadOutcome(parsed.row_count, warnings=list(parsed.notes))
    with kept_unless(ledger.writing(viewer, now), only_check=only_check) as work:
        load = _Load(ledger, work, viewer, parsed, outcome, only_check=only_check)
        _apply(load, far, new_persons=new_persons)
    return outcome


@dataclass
class _Load:
    ledger: Ledger
    work: Writing
    viewer: Viewer
    parsed: Parsed[LogCase]
    outcome: LoadOutcome
    only_check: bool


def _apply(load: _Load, far: Reach, *, new_persons: bool) -> None:
    persons, unknown, made = find_persons(load.work, load.parsed, new_persons=new_persons)
    faults = [*load.parsed.faults, *unknown]
    known = known_cases(load.work.session)
    if far is Reach.OWN and not faults:
        faults += _not_own(load, persons, known)
    if faults:
        raise BadInputError(*faults)
    load.outcome.new_persons = list(made)
    patients = known_patients(load.work.session)
    conflicts: list[Fault] = []
    fresh: list[tuple[LogCase, KnownCase | None]] = []
    for case in load.parsed.rows:
        found = known.get(case.case_ref)
        if found is not None:
            conflicts += _conflicts(load, case, found, persons)
        conflicts += _other_birth_date(load, case, patients)
        fresh.append((case, found))
    if conflicts:
        raise ConflictError(*conflicts)
    named = [_named(case) for case, _ in fresh]
    ids, made_patients = enter_patients(
        load.ledger, load.work, named, patients, only_check=load.only_check
    )
    for _ in range(made_patients):
        load.outcome.count("patients", is_new=True)
    grown = []
    for case, found in fresh:
        if _enter(load, case, found, persons, ids) and found is not None:
            grown.append(found.case_id)
        load.outcome.warnings += [
            f"case {case.case_ref}, {warned.screw}: {warned.text}"
            for warned in case_warnings(_construct(case, found))
        ]
    assign_on_held_scans(load.work, load.ledger.settings, grown)


def _construct(case: LogCase, found: KnownCase | None) -> list[ScrewFacts]:
    """Return the screws of the file and those that the ledger has beside them."""
    said = {(screw.level, screw.side.value, screw.number): _facts(screw) for screw in case.screws}
    known = {} if found is None else found.screws
    beside = [_known_facts(key, values) for key, values in known.items() if key not in said]
    return [*said.values(), *beside]


def _known_facts(key: tuple[str, str, int], values: Mapping[str, Any]) -> ScrewFacts:
    return ScrewFacts(
        *key,
        EntryTechnique(values["entry_technique"]),
        Life(values["life"]),
        values["diameter_mm"],
        values["length_mm"],
        None if values["intention"] is None else Intention(values["intention"]),
    )


def _facts(screw: LogScrew) -> ScrewFacts:
    return ScrewFacts(
        screw.level,
        screw.side,
        screw.number,
        screw.entry_technique,
        screw.life,
        screw.diameter_mm,
        screw.length_mm,
        screw.intention,
    )


def _not_own(load: _Load, persons: Persons, known: Mapping[str, KnownCase]) -> Iterable[Fault]:
    own = load.viewer.person_id
    for case in load.parsed.rows:
        names = [case.surgeon, case.second_surgeon, *case.assistants]
        names += [screw.operator for screw in case.screws]
        found = known.get(case.case_ref)
        # In a case that is known the ledger says who took part: a row cannot make it one's own.
        parts = (
            {persons.id_of(name) for name in names if name is not None}
            if found is None
            else found.participants
        )
        if own not in parts:
            yield Fault(
                f"case {case.case_ref!r} is not one in which {load.viewer.name} took part",
                where(load.parsed.name, case.rows[0]),
                "a surgeon's account enters own cases only",
            )


def _reference_hash(load: _Load, case: LogCase) -> str:
    return patient_hash(load.ledger, case.patient_ref)


def _named(case: LogCase) -> NamedPatient:
    return NamedPatient(case.patient_ref, case.birth_date)


def _case_values(case: LogCase, persons: Persons) -> dict[str, Any]:
    return {
        "operated_on": case.operated_on,
        "surgeon_id": persons.id_of(case.surgeon),
        "second_surgeon_id": persons.id_or_none(case.second_surgeon),
        "indication": case.indication,
        "is_revision": case.revision,
        "cobb_deg": case.cobb_deg,
        "body_mass_index": case.bmi,
        "bone_quality": case.bone_quality,
        "approach": case.approach,
        "no_scan_reason": case.no_ct_reason,
    }


def _screw_values(screw: LogScrew, persons: Persons) -> dict[str, Any]:
    return {
        "entry_technique": screw.entry_technique.value,
        "technique_words": screw.technique_words or None,
        "guidance": screw.guidance.value,
        "operator_id": persons.id_or_none(screw.operator),
        "supervision": screw.supervision,
        "diameter_mm": screw.diameter_mm,
        "length_mm": screw.length_mm,
        "alloy": screw.alloy,
        "intention": screw.intention,
        "implant_identifier": screw.udi,
        "life": screw.life.value,
    }


_COLUMN_OF = {
    "surgeon_id": "surgeon",
    "second_surgeon_id": "second_surgeon",
    "is_revision": "revision",
    "body_mass_index": "bmi",
    "no_scan_reason": "no_ct_reason",
    "operator_id": "operator",
    "implant_identifier": "udi",
}


def _conflicts(load: _Load, case: LogCase, found: KnownCase, persons: Persons) -> Iterable[Fault]:
    row = case.rows[0]
    said = _case_values(case, persons)
    for column in _differing(said, found.values):
        yield _conflict(load, row, column, f"case {case.case_ref} is known with another value")
    if _reference_hash(load, case) != found.reference_hash:
        yield _conflict(load, row, "patient_ref", f"case {case.case_ref} is another patient's")
    assistants = {persons.id_of(name) for name in case.assistants}
    if assistants and assistants != found.assistants:
        yield _conflict(load, row, "assistants", f"case {case.case_ref} is known with others")
    for screw in case.screws:
        there = found.screws.get((screw.level, screw.side.value, screw.number))
        if there is None:
            continue
        for column in _differing(_screw_values(screw, persons), there):
            what = f"case {case.case_ref}, {screw.level} {screw.side}: known with another value"
            yield _conflict(load, screw.row, column, what)


def _other_birth_date(
    load: _Load, case: LogCase, patients: Mapping[str, KnownPatient]
) -> Iterable[Fault]:
    found = patients.get(_reference_hash(load, case))
    if is_born_otherwise(load.ledger, _named(case), found):
        what = f"the patient of case {case.case_ref} is known with another value"
        yield _conflict(load, case.rows[0], "birth_date", what)


def _differing(said: Mapping[str, Any], known: Mapping[str, Any]) -> list[str]:
    """Return the columns in which both say something and not the same."""
    return [
        column for column, value in said.items() if value is not None and value != known[column]
    ]


def _conflict(load: _Load, row: int, column: str, what: str) -> Fault:
    return Fault(
        what,
        where(load.parsed.name, row, _COLUMN_OF.get(column, column)),
        "nothing was changed; take the row out of the file, or correct the ledger's own record",
    )


def _enter(
    load: _Load,
    case: LogCase,
    found: KnownCase | None,
    persons: Persons,
    patients: dict[str, int],
) -> bool:
    """Add what is new of a case; return whether a screw is."""
    work, outcome = load.work, load.outcome
    outcome.count("cases", is_new=found is None)
    if found is None:
        case_id = work.insert(
            Case,
            "enter a case",
            reference=case.case_ref,
            patient_id=patients[_reference_hash(load, case)],
            entered_by_id=load.viewer.account_id,
            source_name=load.parsed.name[:200],
            source_row=case.rows[0],
            **_case_values(case, persons),
        )
        for person_id in sorted({persons.id_of(name) for name in case.assistants}):
            work.insert(CaseAssistant, "add an assistant", case_id=case_id, person_id=person_id)
    else:
        case_id = found.case_id
    known = {} if found is None else found.screws
    is_grown = False
    for screw in case.screws:
        key = (screw.level, screw.side.value, screw.number)
        outcome.count("screws", is_new=key not in known)
        if key in known:
            continue
        is_grown = True
        values = _screw_values(screw, persons)
        work.insert(
            Screw,
            "enter a screw",
            case_id=case_id,
            level=screw.level,
            side=screw.side.value,
            number=screw.number,
            source_row=screw.row,
            intention_recorded_at=None if screw.intention is None else work.now,
            **values,
        )
    return is_grown
