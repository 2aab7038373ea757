"""Show a reader their practice: what is left, the truth beside each reading, what it comes to."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import (
    Blueprint,
    Response,
    get_flashed_messages,
    redirect,
    render_template,
    request,
    url_for,
)

from registry.actions.evidence import with_pictures
from registry.actions.known_truth import missed_words, own_practice, practised
from registry.actions.teaching import begin_practice
from registry.actions.truth_picture import truth_picture
from registry.actions.worklist import worklist
from registry.domain.access import Deed, Reach
from registry.domain.problems import ConflictError
from registry.domain.scales import SCALES
from registry.web.context import current_ledger, current_viewer, now, today
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.headers import PICTURE_POLICY
from registry.web.pages.practice.lines import bias_rows, line, share_words, walls
from registry.web.pages.proposal.views import SAVED
from registry.web.paging import page_of

if TYPE_CHECKING:
    from typing import Any

    from flask.typing import ResponseReturnValue

practice_page = Blueprint("practice", __name__, template_folder="templates", url_prefix="/practice")

_PAGE = "practice/practice.html"
_READERS = needs(Deed.READ_SCREWS, at_least=Reach.ALL)
_SEE_OTHER = 303


@practice_page.get("/")
@_READERS
def show() -> ResponseReturnValue:
    """Show how far the viewer is, and what their readings come to beside the truth."""
    return render_template(_PAGE, **_page())


@practice_page.post("/begin")
@_READERS
def begin() -> ResponseReturnValue:
    """Give the viewer the next drawn scan, and go on to its first screw."""
    ledger, viewer = current_ledger(), current_viewer()
    try:
        begin_practice(ledger, viewer, now())
    except ConflictError as problem:
        return page_with(problem, _PAGE, **_page())
    first = worklist(ledger, viewer, now(), in_practice=True)[0]
    return redirect(url_for("reading.show", assignment_id=first.assignment_id), _SEE_OTHER)


@practice_page.get("/<int:reading_id>")
@_READERS
def beside(reading_id: int) -> ResponseReturnValue:
    """Show one own practice reading beside the truth."""
    ledger, viewer = current_ledger(), current_viewer()
    found, scale = practised(ledger, viewer, reading_id), ledger.settings.scale
    owed = worklist(ledger, viewer, now(), in_practice=True)
    return render_template(
        "practice/beside.html",
        line=line(found, scale),
        walls=walls(found),
        saved_at=found.reading.saved_at,
        scale=SCALES[scale].title,
        has_picture=bool(with_pictures(ledger, viewer, [reading_id])),
        just_saved=get_flashed_messages(category_filter=[SAVED]),
        following=owed[0].assignment_id if owed else None,
    )


@practice_page.get("/<int:reading_id>/truth.png")
@_READERS
def truth(reading_id: int) -> ResponseReturnValue:
    """Send the picture of where a drawn screw truly lies."""
    content = truth_picture(current_ledger(), current_viewer(), reading_id)
    answer = Response(content, mimetype="image/png")
    answer.headers["Content-Security-Policy"] = PICTURE_POLICY
    return answer


def _page() -> dict[str, Any]:
    ledger, viewer = current_ledger(), current_viewer()
    found, scale = own_practice(ledger, viewer, today()), ledger.settings.scale
    owed = worklist(ledger, viewer, now(), in_practice=True)
    page = page_of(found.readings, request.args.get("page"))
    return {
        "state": found.state,
        "next_id": owed[0].assignment_id if owed else None,
        "page": page,
        "lines": [line(each, scale) for each in page.items],
        "result": found.result,
        "bias": bias_rows(found.result) if found.result else [],
        "missed": missed_words(found.result) if found.result else "",
        "mixed": found.mixed and missed_words(found.mixed),
        "share": share_words,
        "scale": SCALES[scale].title,
        "is_reader": viewer.person_id is not None,
    }
