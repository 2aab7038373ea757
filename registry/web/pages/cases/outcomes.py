"""Record what became of a patient after a case, and correct it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import Blueprint, render_template, request, url_for

from registry.actions.enter_case import known_names
from registry.actions.outcomes import OUTCOME, correct_outcome, record_outcome
from registry.domain.access import Deed
from registry.domain.problems import NotFoundError
from registry.store.queries.outcomes import case_for_outcome, outcomes_of_case
from registry.web.context import current_ledger, current_viewer, now, today
from registry.web.fields import Choice
from registry.web.guard import needs
from registry.web.pages.cases.corrections import saved
from registry.web.pages.cases.forms import TEMPLATE, corrected, shown

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from registry.actions.corrections import Correction
    from registry.store.queries.outcomes import CaseForOutcome, OutcomeOfCase

outcomes_page = Blueprint("outcomes", __name__, template_folder="templates", url_prefix="/cases")


@outcomes_page.get("/<int:case_id>/outcomes/add")
@needs(Deed.RECORD_OUTCOMES)
def new_outcome(case_id: int) -> ResponseReturnValue:
    """Ask for an outcome."""
    found = _found(case_id)
    return render_template(
        TEMPLATE, **_page(found, None), **shown(OUTCOME, {}, choices=_screws(found))
    )


@outcomes_page.post("/<int:case_id>/outcomes/add")
@needs(Deed.RECORD_OUTCOMES)
def save_new_outcome(case_id: int) -> ResponseReturnValue:
    """Record it."""
    found = _found(case_id)

    def act(typed: Correction) -> None:
        record_outcome(
            current_ledger(), current_viewer(), case_id, typed.texts, today=today(), now=now()
        )

    again = corrected(
        request.form,
        OUTCOME,
        act,
        lambda: (0, {}),
        **_page(found, None),
        choices=_screws(found),
    )
    return again or saved(case_id, "outcome recorded")


@outcomes_page.get("/<int:case_id>/outcomes/<int:outcome_id>/correct")
@needs(Deed.RECORD_OUTCOMES)
def outcome(case_id: int, outcome_id: int) -> ResponseReturnValue:
    """Show an outcome's fields."""
    found, held = _found(case_id), _held(case_id, outcome_id)
    return render_template(
        TEMPLATE,
        **_page(found, held),
        **shown(OUTCOME, held.texts, seen=held.texts, version=held.version, choices=_screws(found)),
    )


@outcomes_page.post("/<int:case_id>/outcomes/<int:outcome_id>/correct")
@needs(Deed.RECORD_OUTCOMES)
def save_outcome(case_id: int, outcome_id: int) -> ResponseReturnValue:
    """Correct it."""
    found, held = _found(case_id), _held(case_id, outcome_id)

    def act(typed: Correction) -> None:
        correct_outcome(
            current_ledger(),
            current_viewer(),
            case_id,
            outcome_id,
            typed,
            today=today(),
            now=now(),
        )

    def stands() -> tuple[int, Any]:
        present = _held(case_id, outcome_id)
        return present.version, present.texts

    again = corrected(
        request.form, OUTCOME, act, stands, **_page(found, held), choices=_screws(found)
    )
    return again or saved(case_id, "outcome corrected")


def _found(case_id: int) -> CaseForOutcome:
    with current_ledger().reading() as session:
        return case_for_outcome(session, current_viewer(), case_id)


def _held(case_id: int, outcome_id: int) -> OutcomeOfCase:
    with current_ledger().reading() as session:
        listed = outcomes_of_case(session, current_viewer(), case_id)
    found = next((one for one in listed if one.outcome_id == outcome_id), None)
    if found is None:
        raise NotFoundError("there is no such outcome among those you may correct")
    return found


def _screws(found: CaseForOutcome) -> dict[str, list[Choice]]:
    screws = [Choice(str(number), words) for number, words in found.screws.items()]
    return {"screw_id": [Choice("", "the whole case"), *screws]}


def _page(found: CaseForOutcome, held: OutcomeOfCase | None) -> dict[str, Any]:
    first, last = current_ledger().settings.outcome_window_days
    action = (
        url_for(".save_new_outcome", case_id=found.case_id)
        if held is None
        else url_for(".save_outcome", case_id=found.case_id, outcome_id=held.outcome_id)
    )
    what = "Record an outcome of" if held is None else "Correct an outcome of"
    return {
        "title": f"{what} case {found.reference}",
        "lead_in": (
            f"The unit counts an outcome with the operation of {found.operated_on} from day "
            f"{first} to day {last}; a later one is kept and marked. Name no patient."
        ),
        "action": action,
        "button": "Save the outcome",
        "is_correction": held is not None,
        "names": known_names(current_ledger(), current_viewer()),
        "back": url_for("cases.show", case_id=found.case_id),
        "back_words": f"To case {found.reference}",
    }
