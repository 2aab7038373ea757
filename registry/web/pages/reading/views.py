"""The reading desk's page, its pictures and its saving.

Whatever is sent from here is read by somebody who must not know whose screw it is: level, side,
number, diameter and pictures, and nothing that leads to the case.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from flask import (
    Blueprint,
    Response,
    flash,
    get_flashed_messages,
    redirect,
    render_template,
    request,
    url_for,
)

from registry.actions.desk_angles import angles_of
from registry.actions.desk_endplate import found_endplate
from registry.actions.desk_measure import measure
from registry.actions.desk_pictures import (
    across_of,
    along_picture,
    metal_picture,
    plane_of,
    plane_picture,
    section_pictures,
    suggest_axis,
    upright_picture,
)
from registry.actions.desk_screw import desk_screw, open_screw
from registry.actions.desk_side import SAME_AXIS
from registry.actions.drafts import draft_owner, keep_draft, kept_draft, save_once, saved_as
from registry.actions.proposed import is_proposed
from registry.actions.worklist import following_screw
from registry.domain.access import Deed, Reach
from registry.domain.directions import Direction
from registry.domain.problems import ConflictError, Fault, NotFoundError
from registry.domain.readings import Confidence, NotAssessableReason
from registry.web.context import current_ledger, current_viewer, now, viewer_or_none
from registry.web.guard import needs
from registry.web.pages.proposal.views import SAVED
from registry.web.pages.reading.forms import (
    angles_json,
    draft_of,
    key_of,
    marks_and_way_of,
    measured_json,
    placed_of,
    placing_of,
    point_of,
    position_of,
    submission_of,
)

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from registry.actions.desk_pictures import Pictures
    from registry.actions.record_reading import Recorded

reading_desk = Blueprint(
    "reading", __name__, url_prefix="/reading", template_folder="templates", static_folder="static"
)

_READERS = needs(Deed.READ_SCREWS, at_least=Reach.ALL)


class TakenOverError(ConflictError):
    """The page is another person's than who is signed in now."""

    http_status = 412


@reading_desk.before_request
def refuse_another_s_page() -> None:
    """Refuse what a page asks that was opened by somebody else in the same browser.

    It would be kept, or saved, as theirs who is signed in now.
    """
    viewer, owner = viewer_or_none(), request.headers.get("Desk-Owner", "")
    if viewer is not None and owner and owner != draft_owner(current_ledger(), viewer):
        raise TakenOverError(
            Fault("somebody else is signed in in this browser now", mend="sign in as before")
        )


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


@reading_desk.get("/<int:assignment_id>/metal")
@_READERS
def metal(assignment_id: int) -> ResponseReturnValue:
    """Send the scan's metal as seen from the front, with the place behind each pixel."""
    return _sent(metal_picture(current_ledger(), current_viewer(), assignment_id, now()))


@reading_desk.get("/<int:assignment_id>/plane/<name>")
@_READERS
def plane(assignment_id: int, name: str) -> ResponseReturnValue:
    """Send an axial, coronal or sagittal plane through `position`, else the scan's middle."""
    return _sent(
        plane_picture(
            current_ledger(),
            current_viewer(),
            assignment_id,
            plane_of(name),
            position_of(request.args),
            now(),
        )
    )


@reading_desk.get("/<int:assignment_id>/sections")
@_READERS
def sections(assignment_id: int) -> ResponseReturnValue:
    """Send every section from `entry` to `tip`."""
    placing = placing_of(request.args)
    return _sent(
        section_pictures(current_ledger(), current_viewer(), assignment_id, placing, now())
    )


@reading_desk.get("/<int:assignment_id>/along/<across>")
@_READERS
def along(assignment_id: int, across: str) -> ResponseReturnValue:
    """Send the plane along the axis with medial or cranial on top."""
    placing = placing_of(request.args)
    return _sent(
        along_picture(
            current_ledger(),
            current_viewer(),
            assignment_id,
            placing,
            across_of(across),
            now(),
        )
    )


@reading_desk.post("/<int:assignment_id>/axis")
@_READERS
def axis(assignment_id: int) -> ResponseReturnValue:
    """Answer with the ends of the screw near a point."""
    point = point_of(request.get_json())
    found = suggest_axis(current_ledger(), current_viewer(), assignment_id, point, now())
    return {
        "entry_mm": [round(value, 2) for value in found.entry_mm],
        "tip_mm": [round(value, 2) for value in found.tip_mm],
        "length_mm": round(found.length_mm, 2),
        "shank_diameter_mm": round(found.shank_diameter_mm, 1),
        "side_doubt": found.side_doubt,
    }


@reading_desk.get("/<int:assignment_id>/upright")
@_READERS
def upright(assignment_id: int) -> ResponseReturnValue:
    """Send the vertebra's midplane about the screw."""
    placing = placing_of(request.args)
    return _sent(upright_picture(current_ledger(), current_viewer(), assignment_id, placing, now()))


@reading_desk.post("/<int:assignment_id>/endplate")
@_READERS
def endplate(assignment_id: int) -> ResponseReturnValue:
    """Answer with the upper endplate's line as it is seen in the midplane."""
    placing = placed_of(request.get_json())
    found = found_endplate(current_ledger(), current_viewer(), assignment_id, placing, now())
    places = found and [[round(value, 2) for value in end] for end in found]
    return {"is_found": found is not None, "endplate_mm": places}


@reading_desk.post("/<int:assignment_id>/angles")
@_READERS
def angles(assignment_id: int) -> ResponseReturnValue:
    """Answer with a screw's angles; nothing is kept."""
    open_screw(current_ledger(), current_viewer(), assignment_id, now())
    return angles_json(angles_of(placed_of(request.get_json())))


@reading_desk.post("/<int:assignment_id>/measure")
@_READERS
def measured(assignment_id: int) -> ResponseReturnValue:
    """Answer with what marks come to; nothing is kept."""
    marks, way = marks_and_way_of(request.get_json())
    found = measure(current_ledger(), current_viewer(), assignment_id, marks, way, now())
    return measured_json(found)


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


def _sent(pictures: Pictures) -> Response:
    """Return values as they are, little-endian, with their layout in a header."""
    answer = Response(pictures.to_bytes(), mimetype="application/octet-stream")
    answer.headers["Picture-Layout"] = json.dumps(pictures.layout, separators=(",", ":"))
    return answer
