"""A person decides on an arrival: which series, which case, its kind and why it was made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.arrival_survey import ArrivalSurvey, Decision, SurveyedSeries
from registry.actions.typed_reason import reason_given
from registry.domain.access import Deed, Reach, Viewer, require
from registry.domain.arrivals import WAITING, ArrivalState
from registry.domain.matching import Objection, suggested_kind
from registry.domain.problems import BadInputError, ConflictError, Fault, NotFoundError
from registry.store.queries.arrivals import change_arrival, kept_arrival
from registry.store.queries.scans import case_for_scan, numbered_case_for_scan

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

    from registry.domain.scans import ScanKind
    from registry.store.home import Ledger
    from registry.store.queries.scans import CaseForScan


@dataclass(frozen=True)
class CaseOffered:
    """A case to which a series may be attached.

    Attributes
    ----------
    kind : the likely one by the days, None where only a person can know
    objections : what speaks against it, as far as it can be told before reading
    """

    case_id: int
    reference: str
    operated_on: date
    kind: ScanKind | None
    objections: tuple[Objection, ...]


def cases_offered(
    ledger: Ledger, viewer: Viewer, arrival_id: int, number: int
) -> Sequence[CaseOffered]:
    """Return the cases of the patient whom a series names, the one that fits best first."""
    series = _series(_survey(ledger, viewer, arrival_id), number)
    with ledger.reading() as session:
        found = [numbered_case_for_scan(session, viewer, each) for each in series.case_ids]
    return [_offered(ledger, case, series) for case in found if case is not None]


def case_offered(
    ledger: Ledger, viewer: Viewer, arrival_id: int, number: int, reference: str
) -> CaseOffered:
    """Return the case of this reference, for a series; NotFoundError where there is none."""
    series = _series(_survey(ledger, viewer, arrival_id), number)
    with ledger.reading() as session:
        case = case_for_scan(session, viewer, reference.strip())
    if case is None:
        raise NotFoundError("there is no such case to which a scan can be attached")
    return _offered(ledger, case, series)


def decide_arrival(
    ledger: Ledger, viewer: Viewer, arrival_id: int, decision: Decision, now: datetime
) -> None:
    """Decide on an arrival that waits; the worker reads it then.

    Raises
    ------
    BadInputError : the series cannot be read, or something speaks against the case that nobody has
        answered for
    ConflictError : it waits for no decision any more
    """
    survey = _survey(ledger, viewer, arrival_id)
    series = _series(survey, decision.series)
    if not series.is_readable and not (series.may_be_confirmed and decision.is_burned_in_confirmed):
        raise BadInputError(
            Fault(f"series {series.number} is not read: {series.why_not}", mend="choose another")
        )
    with ledger.reading() as session:
        case = numbered_case_for_scan(session, viewer, decision.case_id)
    if case is None:
        raise NotFoundError("there is no such case to which a scan can be attached")
    _require_answers(_offered(ledger, case, series), decision)
    decided = {
        "state": ArrivalState.TO_BE_READ.value,
        "decision": decision.to_json(),
        "decided_by_id": viewer.account_id,
        "last_at": now,
        "message": "",
        "done": 0,
        "total": 0,
        "tries": 0,
    }
    with ledger.untracked() as session:
        is_decided = change_arrival(session, arrival_id, WAITING, **decided)
    if not is_decided:
        raise ConflictError(Fault("it waits for no decision any more", mend="look at it again"))


def look_again(ledger: Ledger, viewer: Viewer, arrival_id: int, now: datetime) -> None:
    """Have an arrival that failed looked through once more."""
    require(viewer, Deed.LOAD_SCANS, at_least=Reach.ALL)
    again = {"state": ArrivalState.RECEIVED.value, "message": "", "tries": 0, "last_at": now}
    with ledger.untracked() as session:
        if not change_arrival(session, arrival_id, {ArrivalState.FAILED}, **again):
            raise ConflictError(Fault("it has not failed", mend="look at it again"))


def _require_answers(offered: CaseOffered, decision: Decision) -> None:
    refused = [each for each in offered.objections if not each.can_be_confirmed]
    doubts = [each for each in offered.objections if each.can_be_confirmed]
    where = f"case {offered.reference}"
    if refused:
        raise BadInputError(
            *(Fault(each.value, where, "choose the case it followed") for each in refused)
        )
    if decision.patient_because.strip():
        reason_given(decision.patient_because)
    elif doubts:
        mend = "choose their own case, or confirm the patient with a reason"
        raise BadInputError(*(Fault(each.value, where, mend) for each in doubts))


def _survey(ledger: Ledger, viewer: Viewer, arrival_id: int) -> ArrivalSurvey:
    require(viewer, Deed.LOAD_SCANS, at_least=Reach.ALL)
    with ledger.reading() as session:
        found = kept_arrival(session, viewer, arrival_id)
    if found is None:
        raise NotFoundError("there is no such arrival")
    if found.survey is None:
        raise ConflictError(Fault("it has not been looked through yet", mend="wait a moment"))
    return ArrivalSurvey.from_json(found.survey)


def _series(survey: ArrivalSurvey, number: int) -> SurveyedSeries:
    series = survey.one(number)
    if series is None:
        raise BadInputError(
            Fault(f"there is no series {number}", mend=f"choose 1 to {len(survey.series)}")
        )
    return series


def _offered(ledger: Ledger, case: CaseForScan, series: SurveyedSeries) -> CaseOffered:
    against = []
    is_own = case.case_id in series.case_ids
    if series.has_number and not is_own:
        against.append(Objection.ANOTHER_NUMBER)
    if is_own and series.has_other_birth_date:
        against.append(Objection.ANOTHER_BIRTH_DATE)
    kind = None
    if series.acquired_on is not None:
        if series.acquired_on < case.operated_on:
            against.append(Objection.BEFORE_OPERATION)
        window = ledger.settings.audit_window_days
        kind = suggested_kind(series.acquired_on, case.operated_on, window)
    return CaseOffered(case.case_id, case.reference, case.operated_on, kind, tuple(against))
