"""The reading desk's page, its drafts and its saving; `shown` sends what it shows meanwhile.

Whatever is sent from here is read by somebody who must not know whose screw it is: level, side,
number, diameter and pictures, and nothing that leads to the case.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import (
    Blueprint,
    flash,
    get_flashed_messages,
    redirect,
    render_template,
    request,
    url_for,
)

from registry.actions.desk_screw import desk_screw
from registry.actions.desk_side import SAME_AXIS
from registry.actions.drafts import draft_owner, keep_draft, kept_draft, save_once, saved_as
from registry.actions.proposed import is_proposed
from registry.actions.worklist import following_screw
from registry.domain.access import Deed, Reach
from registry.domain.directions import Direction
from registry.domain.problems import NotFoundError
from registry.domain.readings import Confidence, NotAssessableReason
from registry.web.context import current_ledger, current_viewer, now
from registry.web.guard import needs
from registry.web.pages.proposal.views import SAVED
from registry.web.pages.reading.forms import draft_of, key_of, submission_of
from registry.web.pages.reading.taken_over import refuse_another_s_page

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from registry.actions.record_reading import Recorded

reading_desk = Blueprint(
    "reading", __name__, url_prefix="/reading", template_folder="templates", static_folder="static"
)
reading_desk.before_request(refuse_another_s_page)

_READERS = needs(Deed.READ_SCREWS, at_least=Reach.ALL)


@reading_desk.get("/<int:assignment_id>")
@_READERS
def show(assignment_id: int) -> ResponseReturnValue:
    """Show the desk with one screw, or what follows one that the same account has just saved."""
    ledger, viewer = current_ledger(), current_viewer()
    try:
        screw = desk_screw(ledger, viewer, assignment_id, now())
    except NotFoundError:
        # The answer to its saving may have been lost on its way.
        done = saved_as(ledger, viewer, assignment_id, now())
        if done is None:
            raise
        return redirect(_next_of(done)["next"], 303)
    # A page that is fetched ahead is read after the one that is being read now.
    read_by_then = request.args.get("after", type=int)
    coming = following_screw(ledger, viewer, assignment_id, now(), read_by_then)
    return render_template(
        "reading/desk.html",
        screw=screw,
        owner=draft_owner(ledger, viewer),
        coming=None if coming is None else coming.assignment_id,
        side={"L": "left", "R": "right"}[screw.side],
        directions=list(Direction),
        confidences=list(Confidence),
        reasons=list(NotAssessableReason),
        same_axis=SAME_AXIS.line(),
        is_after_saving="saved" in request.args,
        just_saved=get_flashed_messages(category_filter=[SAVED]),
    )


@reading_desk.get("/<int:assignment_id>/draft")
@_READERS
def draft(assignment_id: int) -> ResponseReturnValue:
    """Answer with what the viewer had marked and typed; another account's is never sent."""
    return {"draft": kept_draft(current_ledger(), current_viewer(), assignment_id, now())}


@reading_desk.post("/<int:assignment_id>/draft")
@_READERS
def keep(assignment_id: int) -> ResponseReturnValue:
    """Keep what the viewer has marked and typed so far."""
    sent = draft_of(request.get_json())
    keep_draft(current_ledger(), current_viewer(), assignment_id, sent, now())
    return {"kept": True}


@reading_desk.post("/<int:assignment_id>/save")
@_READERS
def save(assignment_id: int) -> ResponseReturnValue:
    """Record the reading, once for each key, and answer with where the reader goes on."""
    sent = request.get_json()
    submission, key = submission_of(sent), key_of(sent)
    done = save_once(current_ledger(), current_viewer(), assignment_id, submission, now(), key=key)
    return _next_of(done, in_place=sent.get("in_place"))


def _next_of(done: Recorded, in_place: object = None) -> dict[str, str]:
    """Return where the reader goes on; `in_place` is the page that the browser holds already."""
    if done.finding_id is not None:
        # The unit's policy comes first; the worklist is one link away from it.
        return {"next": url_for("policy.show", finding_id=done.finding_id)}
    if done.is_practice:
        flash(done.words, SAVED)
        return {"next": url_for("practice.beside", reading_id=done.reading_id)}
    following = None if done.following is None else done.following.assignment_id
    # In the signed cookie, for the next page alone: an address would be kept by the browser.
    if is_proposed(current_ledger(), current_viewer(), done.reading_id):
        flash(done.words, SAVED)
        return {"next": url_for("proposal.beside", reading_id=done.reading_id, next=following)}
    if following is None:
        return {"next": url_for("worklist.show")}
    if in_place == url_for(".show", assignment_id=following):
        return {"next": in_place, "told": done.words}
    flash(done.words, SAVED)
    return {"next": url_for(".show", assignment_id=following, saved="yes")}
