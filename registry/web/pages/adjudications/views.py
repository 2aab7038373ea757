"""List the adjudications that are owed, appoint who decides, and take it back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import Blueprint, redirect, render_template, request, url_for

from registry.actions.adjudicate import adjudications, appoint, possible_adjudicators, take_back
from registry.domain.access import Deed, Reach
from registry.domain.problems import BadInputError, ConflictError
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.paging import page_of

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

adjudications_page = Blueprint(
    "adjudications", __name__, template_folder="templates", url_prefix="/adjudications"
)

_PAGE = "adjudications/list.html"
_LEADS = needs(Deed.ORDER_READINGS, at_least=Reach.ALL)
_SEE_OTHER = 303


@adjudications_page.get("/")
@_LEADS
def listed() -> ResponseReturnValue:
    """List what is to be decided, the longest waiting first."""
    return render_template(_PAGE, **_page())


@adjudications_page.post("/<int:assignment_id>/appoint")
@_LEADS
def appointed(assignment_id: int) -> ResponseReturnValue:
    """Make one out to a person."""
    person = request.form.get("person", type=int)
    try:
        appoint(current_ledger(), current_viewer(), assignment_id, person, now())
    except (BadInputError, ConflictError) as problem:
        return page_with(problem, _PAGE, **_page())
    return redirect(url_for(".listed"), _SEE_OTHER)


@adjudications_page.post("/<int:assignment_id>/take-back")
@_LEADS
def taken_back(assignment_id: int) -> ResponseReturnValue:
    """Let any lead take one again."""
    person = request.form.get("person", type=int)
    try:
        take_back(current_ledger(), current_viewer(), assignment_id, person, now())
    except ConflictError as problem:
        return page_with(problem, _PAGE, **_page())
    return redirect(url_for(".listed"), _SEE_OTHER)


def _page() -> dict[str, Any]:
    ledger, viewer = current_ledger(), current_viewer()
    return {
        "page": page_of(adjudications(ledger, viewer, now()), request.args.get("page")),
        "persons": possible_adjudicators(ledger, viewer),
    }
