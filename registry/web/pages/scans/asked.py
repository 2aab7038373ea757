"""What a person is asked of an arrival: which series, whose case, which kind, why it was made."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from registry.actions.decide_arrival import case_offered, cases_offered
from registry.domain.problems import NotFoundError
from registry.domain.scans import ScanKind, ScanReason
from registry.imaging.kinds import SeriesKind
from registry.web.fields import Choice, Field

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from registry.actions.arrival_survey import ArrivalSurvey, SurveyedSeries
    from registry.actions.arrivals import Arrival
    from registry.actions.decide_arrival import CaseOffered
    from registry.domain.access import Viewer
    from registry.store.home import Ledger

OTHER_CASE = "other"
LONGEST_REASON = 300
_CHOOSE = Choice("", "choose")


@dataclass(frozen=True)
class Asked:
    """The questions with what was answered so far.

    Attributes
    ----------
    series : number of the chosen one, None where none can be
    cases : that may be chosen, the fitting one first
    case : number of the chosen one as sent, OTHER_CASE where its reference is typed
    whose : what the files say of their patient, in words
    doubts : the files say otherwise than the log, or may
    burned_in : series whose pictures may name somebody
    is_looked_at : a person has said that none does
    errors : by the name of the field
    """

    series: int | None
    cases: Sequence[CaseOffered]
    case: str
    whose: str
    doubts: bool
    burned_in: Sequence[int]
    is_looked_at: bool
    case_ref: Field
    kind: Field
    reason: Field
    because: Field
    errors: Mapping[str, str] = field(default_factory=dict)


def asked_of(
    ledger: Ledger,
    viewer: Viewer,
    arrival: Arrival,
    sent: Mapping[str, str],
    errors: Mapping[str, str] | None = None,
) -> Asked:
    """Return the questions; `sent` is the form as it came, empty when it is first shown."""
    survey, told = arrival.survey, errors or {}
    if survey is None:
        raise ValueError("nothing can be asked before it was looked through")
    number = sent.get("series", "")
    chosen = int(number) if number.isascii() and number.isdigit() else survey.chosen
    one = survey.one(chosen) if chosen is not None else None
    cases = _cases(ledger, viewer, arrival, one)
    first = str(cases[0].case_id) if cases else OTHER_CASE
    if one is None and cases:
        # Of several patients: nobody's case is the likelier one.
        first = ""
    doubts = _doubts(survey) or _is_doubted(ledger, viewer, arrival, one, sent)
    return Asked(
        series=chosen,
        cases=cases,
        case=sent.get("case", first),
        whose=_whose(one, cases),
        doubts=doubts or "because" in told or bool(sent.get("because")),
        burned_in=[each.number for each in survey.series if each.may_be_confirmed],
        is_looked_at=bool(sent.get("looked_at")),
        case_ref=Field(
            "case_ref",
            "The case's reference" if not cases else "Another case's reference",
            sent.get("case_ref", ""),
            error=told.get("case_ref", ""),
            longest=100,
        ),
        kind=_kind(one, cases, sent, told),
        reason=Field(
            "reason",
            "Why it was made",
            sent.get("reason", ""),
            kind="select",
            choices=[_CHOOSE, *(Choice(each.value, each.value) for each in ScanReason)],
            hint="A scan made for symptoms is kept and not counted.",
            error=told.get("reason", ""),
        ),
        because=Field(
            "because",
            "Why it is this patient's all the same",
            sent.get("because", ""),
            hint="Stays in the event trail; name nobody.",
            error=told.get("because", ""),
            longest=LONGEST_REASON,
        ),
        errors=told,
    )


def _cases(
    ledger: Ledger, viewer: Viewer, arrival: Arrival, one: SurveyedSeries | None
) -> list[CaseOffered]:
    """Return the cases of the chosen series' patient, then those of the files' other patients."""
    survey = arrival.survey
    if survey is None:
        return []
    by_patient = {each.patient: each.number for each in survey.series if each.case_ids}
    numbers = [*by_patient.values()]
    if one is not None:
        by_patient.pop(one.patient, None)
        numbers = [one.number, *by_patient.values()]
    offered = [
        each
        for number in numbers
        for each in cases_offered(ledger, viewer, arrival.arrival_id, number)
    ]
    return list({each.case_id: each for each in reversed(offered)}.values())[::-1]


def _whose(one: SurveyedSeries | None, cases: Sequence[CaseOffered]) -> str:
    if one is None:
        found = (
            "found by the hospital numbers that the files carry" if cases else "by its reference"
        )
        return f"Choose the series first, then its patient's case, {found}."
    if one.case_ids:
        return "Found by the hospital number that the files carry."
    if one.has_number:
        return "No case has the hospital number that the files carry: type the case's reference."
    return "The files carry no hospital number: type the case's reference, and be sure of it."


def _is_doubted(
    ledger: Ledger,
    viewer: Viewer,
    arrival: Arrival,
    one: SurveyedSeries | None,
    sent: Mapping[str, str],
) -> bool:
    """Say whether something speaks against the case whose reference was typed."""
    typed = sent.get("case_ref", "").strip()
    if one is None or not typed or sent.get("case") != OTHER_CASE:
        return False
    try:
        case = case_offered(ledger, viewer, arrival.arrival_id, one.number, typed)
    except NotFoundError:
        return False
    return any(each.can_be_confirmed for each in case.objections)


def _doubts(survey: ArrivalSurvey) -> bool:
    return any(
        each.has_other_birth_date or (each.has_number and not each.case_ids)
        for each in survey.series
        if each.is_readable or each.may_be_confirmed
    )


def _kind(
    one: SurveyedSeries | None,
    cases: Sequence[CaseOffered],
    sent: Mapping[str, str],
    told: Mapping[str, str],
) -> Field:
    suggested: ScanKind | None = None
    if one is not None and one.kind == SeriesKind.INTRA_OPERATIVE_3D.value:
        suggested = ScanKind.INTRA_OPERATIVE_3D
    elif one is not None and cases:
        suggested = cases[0].kind
    return Field(
        "kind",
        "What kind of scan it is",
        sent.get("kind", suggested.value if suggested else ""),
        kind="select",
        choices=[_CHOOSE, *(Choice(each.value, each.value) for each in ScanKind)],
        hint="Proposed by its day after the operation." if suggested else "",
        error=told.get("kind", ""),
    )
