"""Send the proposed axis to the desk, and show a reader their own reading beside the proposal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import Blueprint, get_flashed_messages, redirect, render_template, request, url_for

from registry.actions.proposed import (
    own_beside_proposed,
    proposed_for_desk,
    read_again_with_proposal,
)
from registry.domain.access import Deed, Reach
from registry.domain.problems import BadInputError, ConflictError
from registry.domain.readings import CountedReading
from registry.domain.scales import SCALES
from registry.measure.proposals.trust import TRUST
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.pages.proposal.answers import axis_json, measured_json
from registry.web.pages.proposal.lines import compared

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

proposal_page = Blueprint("proposal", __name__, url_prefix="/reading", template_folder="templates")

_PAGE = "proposal/beside.html"
_READERS = needs(Deed.READ_SCREWS, at_least=Reach.ALL)
_SEE_OTHER = 303
SAVED = "reading saved"


@proposal_page.get("/<int:assignment_id>/proposed-axis")
@_READERS
def axis(assignment_id: int) -> ResponseReturnValue:
    """Answer with where the program found the screw; what it measured only where it is shown.

    With `ahead` it is for a page that is not open yet: `is_partial` says that more would be shown.
    """
    ledger, is_ahead = current_ledger(), "ahead" in request.args
    desk = proposed_for_desk(ledger, current_viewer(), assignment_id, now(), is_ahead=is_ahead)
    if is_ahead:
        return {**axis_json(desk.found), "is_partial": desk.extents_are_shown}
    screw = desk.found.screw
    is_shown = desk.extents_are_shown and screw is not None
    return {
        **axis_json(desk.found),
        "measured": measured_json(screw, ledger.settings) if is_shown and screw else None,
        "notes": list(desk.found.notes) if is_shown else [],
    }


@proposal_page.get("/made/<int:reading_id>/proposal")
@_READERS
def measured(reading_id: int) -> ResponseReturnValue:
    """Answer with what the program measured of a screw that the viewer has read."""
    ledger = current_ledger()
    found = own_beside_proposed(ledger, current_viewer(), reading_id, now()).proposed
    return {
        **axis_json(found),
        "measured": found.screw and measured_json(found.screw, ledger.settings),
        "notes": list(found.notes),
    }


@proposal_page.get("/made/<int:reading_id>")
@_READERS
def beside(reading_id: int) -> ResponseReturnValue:
    """Show the viewer's own reading beside what the program measured."""
    return render_template(_PAGE, **_page(reading_id))


@proposal_page.post("/made/<int:reading_id>/again")
@_READERS
def again(reading_id: int) -> ResponseReturnValue:
    """Let the viewer change their own reading, with a reason, and go on to the desk."""
    reason = request.form.get("reason", "")
    try:
        made = read_again_with_proposal(
            current_ledger(), current_viewer(), reading_id, reason, now()
        )
    except (BadInputError, ConflictError) as problem:
        return page_with(problem, _PAGE, **_page(reading_id), kept=reason)
    return redirect(url_for("reading.show", assignment_id=made), _SEE_OTHER)


def _page(reading_id: int) -> dict[str, Any]:
    ledger = current_ledger()
    found = own_beside_proposed(ledger, current_viewer(), reading_id, now())
    following = request.args.get("next", type=int)
    return {
        "reading": found.reading,
        "proposed": found.proposed,
        "compared": compared(found, ledger.settings),
        "scale": SCALES[ledger.settings.scale].title,
        "blind_counts": ledger.settings.counted_reading is CountedReading.BLIND,
        "just_saved": get_flashed_messages(category_filter=[SAVED]),
        "following": following,
        "trust": TRUST,
    }
