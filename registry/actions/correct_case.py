"""Correct a case; what was there stays in the trail."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from registry.actions.corrections import (
    fields_changed,
    may_say_who_operated,
    people_named,
    refuse_own_exit,
    refuse_readers,
    require_change,
    require_version,
)
from registry.actions.follow_case import follow_cases
from registry.actions.typed_reason import reason_given
from registry.domain.access import Deed, require
from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.domain.words import folded
from registry.intake.entered import CASE, day_faults, place_of, read_fields
from registry.store.models.cases import Case, CaseAssistant
from registry.store.queries.correcting import (
    assistant_rows,
    case_as_entered,
    standing_readers,
)
from registry.store.queries.counted_screws import audit_scans
from registry.store.queries.entering import is_reference_taken

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, datetime

    from registry.actions.corrections import Correction
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.queries.correcting import CaseAsEntered
    from registry.store.writing import Writing

_IDENTITY = frozenset({"patient_ref", "birth_date"})
CORRECTED = tuple(asked for asked in CASE if asked.name not in _IDENTITY)
"""What can be corrected of a case: whose case it is cannot."""

TAKING_PART = ("surgeon", "second_surgeon", "assistants")
_COLUMN_OF = {
    "case_ref": "reference",
    "revision": "is_revision",
    "bmi": "body_mass_index",
    "no_ct_reason": "no_scan_reason",
}


def correct_case(
    ledger: Ledger,
    viewer: Viewer,
    case_id: int,
    correction: Correction,
    *,
    today: date,
    now: datetime,
) -> None:
    """Correct a case as typed, and let what is owed follow.

    Raises
    ------
    BadInputError : what is wrong with what was typed, all of it; or nothing differs
    ChangedMeanwhileError : another correction came first; nothing was changed
    ConflictError : the reference is taken, or somebody named has read screws of the case
    """
    require(viewer, Deed.ENTER_CASES)
    because = reason_given(correction.because)
    values = _read(correction.texts, today)
    with ledger.writing(viewer, now) as work:
        case = case_as_entered(work.session, viewer, case_id)
        require_version(correction.version, case.version)
        changed = _changed(correction.texts, case)
        require_change(changed)
        _refuse(work, viewer, case, changed, values)
        known = _people(work, values)
        _refuse_own_exit(work, viewer, case, values, known)
        readers = standing_readers(work.session, case_id)
        refuse_readers(known.values(), readers, people_ids_of(work, case))
        window = ledger.settings.audit_window_days
        counted_on = audit_scans(work.session, window).get(case_id)
        work.update(
            Case, "correct a case", case_id, because=because, **_columns(changed, values, known)
        )
        work.flush_rows()
        if audit_scans(work.session, window).get(case_id) != counted_on:
            _require_all(viewer, values["operated_on"])
        if "assistants" in changed:
            _correct_assistants(work, case_id, values, known, because)
        follow_cases(work, ledger.settings, [case_id])


def _read(texts: Mapping[str, str], today: date) -> dict[str, Any]:
    values, faults = read_fields(CORRECTED, texts)
    faults += day_faults(CASE, values, ["operated_on"], today)
    if faults:
        raise BadInputError(*faults)
    return values


def _changed(texts: Mapping[str, str], case: CaseAsEntered) -> list[str]:
    """Return the fields in which what was typed is not what stands."""
    return fields_changed(CORRECTED, texts, case.texts)


def _refuse(
    work: Writing, viewer: Viewer, case: CaseAsEntered, changed: list[str], values: dict[str, Any]
) -> None:
    if not may_say_who_operated(viewer):
        for name in TAKING_PART:
            if name in changed:
                raise BadInputError(
                    Fault(
                        "is not yours to change",
                        place_of(CASE, name),
                        f"put back '{case.texts[name]}' and ask the quality lead",
                    )
                )
    if "case_ref" in changed and is_reference_taken(work.session, values["case_ref"]):
        raise ConflictError(
            Fault(
                f"'{values['case_ref']}' is another case",
                place_of(CASE, "case_ref"),
                "nothing was changed; give another reference",
            )
        )


def _require_all(viewer: Viewer, day: date) -> None:
    """Let no surgeon choose by the day of operation which scan a case of theirs is counted on."""
    if not may_say_who_operated(viewer):
        raise BadInputError(
            Fault(
                f"with {day} the case would be counted on another scan, or on none",
                place_of(CASE, "operated_on"),
                "ask the quality lead",
            )
        )


def _people(work: Writing, values: Mapping[str, Any]) -> dict[str, int]:
    named: dict[str, str] = {}
    for name in TAKING_PART:
        given = values[name]
        for person in (given,) if isinstance(given, str) else given or ():
            named.setdefault(person, place_of(CASE, name))
    return people_named(work, named)


def _refuse_own_exit(
    work: Writing,
    viewer: Viewer,
    case: CaseAsEntered,
    values: Mapping[str, Any],
    known: Mapping[str, int],
) -> None:
    for name in TAKING_PART:
        stood = [part for part in case.texts[name].split(" | ") if part]
        before = people_named(work, dict.fromkeys(stood, "")).values()
        given = values[name]
        wanted = (given,) if isinstance(given, str) else given or ()
        after = [known[folded(person)] for person in wanted]
        refuse_own_exit(viewer, before, after, place_of(CASE, name))


def people_ids_of(work: Writing, case: CaseAsEntered) -> set[int]:
    """Return who took part in a case as it stands."""
    names = [case.texts["surgeon"], case.texts["second_surgeon"]]
    names += case.texts["assistants"].split(" | ")
    names += [screw.texts["operator"] for screw in case.screws]
    return set(people_named(work, {name: "" for name in names if name}).values())


def _columns(
    changed: list[str], values: Mapping[str, Any], known: Mapping[str, int]
) -> dict[str, Any]:
    columns: dict[str, Any] = {}
    for name in changed:
        if name in {"surgeon", "second_surgeon"}:
            person = values[name]
            columns[f"{name}_id"] = None if person is None else known[folded(person)]
        elif name != "assistants":
            columns[_COLUMN_OF.get(name, name)] = values[name]
    return columns


def _correct_assistants(
    work: Writing,
    case_id: int,
    values: Mapping[str, Any],
    known: Mapping[str, int],
    because: str,
) -> None:
    there = assistant_rows(work.session, case_id)
    wanted = {known[folded(name)] for name in values["assistants"] or ()}
    for person in sorted(there.keys() - wanted):
        work.remove(CaseAssistant, "take an assistant out", there[person], because=because)
    for person in sorted(wanted - there.keys()):
        work.insert(
            CaseAssistant, "add an assistant", because=because, case_id=case_id, person_id=person
        )
