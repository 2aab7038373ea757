"""Take what a person decided of an arrival: it is read next, by itself."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, TypeVar

from flask import Blueprint, redirect, request, url_for

from registry.actions.arrival_survey import Decision
from registry.actions.arrivals import one_arrival
from registry.actions.decide_arrival import case_offered, decide_arrival, look_again
from registry.domain.problems import BadInputError, ConflictError, Fault, NotFoundError
from registry.domain.scans import ScanKind, ScanReason
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.input import whole_number
from registry.web.looking import note_matching
from registry.web.pages.scans.asked import OTHER_CASE, asked_of
from registry.web.pages.scans.page import ARRIVAL, arrival_page
from registry.web.pages.scans.views import LOADERS, SEE_OTHER

if TYPE_CHECKING:
    from collections.abc import Mapping

    from flask.typing import ResponseReturnValue

arrival_decision = Blueprint("arrival_decision", __name__, url_prefix="/scans")

Word = TypeVar("Word", bound=StrEnum)


@arrival_decision.post("/<int:arrival_id>/decide")
@LOADERS
def decide(arrival_id: int) -> ResponseReturnValue:
    """Keep the decision; the page then follows the reading."""
    ledger, viewer = current_ledger(), current_viewer()
    errors: dict[str, str] = {}
    try:
        decision = _decision(arrival_id, request.form, errors)
        decide_arrival(ledger, viewer, arrival_id, decision, now())
    except (BadInputError, ConflictError) as problem:
        arrival = one_arrival(ledger, viewer, arrival_id)
        if arrival.survey is None:
            return page_with(problem, ARRIVAL, **arrival_page(arrival_id))
        asked = asked_of(ledger, viewer, arrival, request.form, errors)
        return page_with(problem, ARRIVAL, **arrival_page(arrival_id, asked))
    return redirect(url_for("scans.show", arrival_id=arrival_id), SEE_OTHER)


@arrival_decision.post("/<int:arrival_id>/again")
@LOADERS
def again(arrival_id: int) -> ResponseReturnValue:
    """Have one that failed looked through once more."""
    try:
        look_again(current_ledger(), current_viewer(), arrival_id, now())
    except ConflictError as problem:
        return page_with(problem, ARRIVAL, **arrival_page(arrival_id))
    return redirect(url_for("scans.show", arrival_id=arrival_id), SEE_OTHER)


def _decision(arrival_id: int, form: Mapping[str, str], errors: dict[str, str]) -> Decision:
    """Return what a form decides; BadInputError where something is missing, told by its field."""
    series = whole_number(form["series"], "series") if "series" in form else None
    case_id = None
    if series is None:
        errors["series"] = "choose the series to read"
    else:
        case_id = _case(arrival_id, series, form, errors)
    kind = _chosen(ScanKind, form, "kind", "choose what kind of scan it is", errors)
    reason = _chosen(ScanReason, form, "reason", "choose why it was made", errors)
    if series is None or case_id is None or kind is None or reason is None:
        raise BadInputError(*(Fault(told) for told in errors.values()))
    return Decision(
        series=series,
        case_id=case_id,
        kind=kind,
        reason=reason,
        patient_because=form.get("because", ""),
        is_burned_in_confirmed=form.get("looked_at") == "yes",
    )


def _chosen(
    kind: type[Word], form: Mapping[str, str], name: str, missing: str, errors: dict[str, str]
) -> Word | None:
    sent = form.get(name, "")
    if sent in {each.value for each in kind}:
        return kind(sent)
    errors[name] = missing
    return None


def _case(
    arrival_id: int, series: int, form: Mapping[str, str], errors: dict[str, str]
) -> int | None:
    """Return the case that was chosen, or the one whose reference was typed."""
    case, typed = form.get("case", OTHER_CASE), form.get("case_ref", "").strip()
    if case != OTHER_CASE:
        if typed:
            errors["case_ref"] = "choose another case above, or leave this empty"
            return None
        return whole_number(case, "case")
    if not typed:
        errors["case_ref"] = "type the reference of the case whose scan it is"
        return None
    try:
        found = case_offered(current_ledger(), current_viewer(), arrival_id, series, typed)
    except NotFoundError:
        errors["case_ref"] = f"there is no case {typed!r}; enter it first"
        return None
    note_matching([found.case_id])
    return found.case_id
