"""Record what became of a patient after a case, and correct it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from registry.actions.corrections import (
    fields_changed,
    people_named,
    require_change,
    require_version,
)
from registry.actions.typed_reason import reason_given
from registry.domain.access import Deed, require
from registry.domain.problems import BadInputError, Fault, NotFoundError
from registry.domain.words import folded
from registry.intake import values
from registry.intake.entered import LONGEST_DAY_TEXT, Asked, day_faults, place_of, read_fields
from registry.store.models.outcomes import Outcome
from registry.store.queries.outcomes import case_for_outcome, outcomes_of_case

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, datetime

    from registry.actions.corrections import Correction
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.queries.outcomes import CaseForOutcome
    from registry.store.writing import Writing

LONGEST_WORDS = 500
_YES_OR_NO = ("yes", "no")


def _words(text: str) -> str:
    return values.words(text, LONGEST_WORDS)


def _screw(text: str) -> int:
    if not text.isascii() or not text.isdigit():
        raise ValueError("choose one of the case's screws")
    return int(text)


def _yes_or_no(name: str, label: str) -> Asked:
    return Asked(name, label, "a yes or no", values.truth, is_required=True, words=_YES_OR_NO)


def _day(name: str, label: str, *, is_required: bool = False) -> Asked:
    return Asked(name, label, "a day", values.day, LONGEST_DAY_TEXT, is_required=is_required)


OUTCOME: tuple[Asked, ...] = (
    _day("observed_on", "Day it was seen", is_required=True),
    Asked("screw_id", "Screw it is about", "a screw", _screw, 10),
    _yes_or_no("has_deficit", "New neurological deficit"),
    Asked("deficit_words", "Which deficit", "a deficit in words", _words, LONGEST_WORDS),
    _yes_or_no("is_revised_for_position", "Revised for a screw's position"),
    Asked("action", "What was done", "an action in words", _words, LONGEST_WORDS),
    _day("told_on", "Day the patient was told"),
    Asked("told_by", "Told by", "a person's name", values.person, values.LARGEST_NAME),
)
"""What is asked about an outcome, in the order of the form."""


def record_outcome(
    ledger: Ledger,
    viewer: Viewer,
    case_id: int,
    texts: Mapping[str, str],
    *,
    today: date,
    now: datetime,
) -> int:
    """Record an outcome as typed; return it. BadInputError says all that is wrong."""
    require(viewer, Deed.RECORD_OUTCOMES)
    found = _read(texts, today)
    with ledger.writing(viewer, now) as work:
        case = case_for_outcome(work.session, viewer, case_id)
        return work.insert(
            Outcome,
            "record an outcome",
            case_id=case_id,
            recorded_by_id=viewer.account_id,
            recorded_at=now,
            **_columns(work, case, found),
        )


def correct_outcome(
    ledger: Ledger,
    viewer: Viewer,
    case_id: int,
    outcome_id: int,
    correction: Correction,
    *,
    today: date,
    now: datetime,
) -> None:
    """Correct an outcome as typed; ChangedMeanwhileError where another correction came first."""
    require(viewer, Deed.RECORD_OUTCOMES)
    because = reason_given(correction.because)
    found = _read(correction.texts, today)
    with ledger.writing(viewer, now) as work:
        case = case_for_outcome(work.session, viewer, case_id)
        listed = outcomes_of_case(work.session, viewer, case_id)
        stands = next((one for one in listed if one.outcome_id == outcome_id), None)
        if stands is None:
            raise NotFoundError("there is no such outcome among those you may correct")
        require_version(correction.version, stands.version)
        require_change(fields_changed(OUTCOME, correction.texts, stands.texts))
        columns = _columns(work, case, found)
        work.update(Outcome, "correct an outcome", outcome_id, because=because, **columns)


def _read(texts: Mapping[str, str], today: date) -> dict[str, Any]:
    found, faults = read_fields(OUTCOME, texts)

    def wrong(name: str, what: str, mend: str) -> None:
        faults.append(Fault(what, place_of(OUTCOME, name), mend))

    faults += day_faults(OUTCOME, found, ("observed_on", "told_on"), today)
    if found["deficit_words"] and found["has_deficit"] is False:
        wrong("deficit_words", "is for a deficit alone", "say yes to the deficit, or empty it")
    if found["told_by"] and not found["told_on"] and not texts.get("told_on", "").strip():
        wrong("told_on", "is empty", "say on which day the patient was told")
    if faults:
        raise BadInputError(*faults)
    return found


def _columns(work: Writing, case: CaseForOutcome, found: Mapping[str, Any]) -> dict[str, Any]:
    if found["observed_on"] < case.operated_on:
        raise BadInputError(
            Fault(
                f"{found['observed_on']} is before the operation of {case.operated_on}",
                place_of(OUTCOME, "observed_on"),
                "check the day",
            )
        )
    if found["screw_id"] is not None and found["screw_id"] not in case.screws:
        raise BadInputError(
            Fault(
                "is no screw of this case",
                place_of(OUTCOME, "screw_id"),
                "choose one of the case's screws",
            )
        )
    columns = dict(found)
    name = columns.pop("told_by")
    known = people_named(work, {name: place_of(OUTCOME, "told_by")} if name else {})
    return {**columns, "told_by_id": known[folded(name)] if name else None}
