"""Choose screws for a morbidity meeting, see which pages they make, and give the pack as a file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import Blueprint, Response, render_template, request
from werkzeug.datastructures import MultiDict

from registry.actions.evidence import with_pictures
from registry.actions.look_at_case import look_at_cases
from registry.actions.meeting_files import NAME, give_pack
from registry.actions.meeting_pack import chosen_screws, meeting_pack, screws_to_choose
from registry.actions.meeting_pages import farthest_words, screw_name, standing_words
from registry.domain.access import Deed
from registry.domain.meeting import MOST_SCREWS, AtLeast, ChosenBy
from registry.domain.problems import BadInputError
from registry.domain.scales import SCALES, grade
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.guard import confirmed, needs
from registry.web.pages.meeting_pack.forms import (
    FILTERS,
    list_fields,
    pack_fields,
    read_listed,
    read_order,
    read_ticked,
)
from registry.web.paging import PAGE_SIZE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from flask.typing import ResponseReturnValue

    from registry.store.queries.meeting import MeetingScrew

meeting_pack_page = Blueprint(
    "meeting_pack", __name__, template_folder="templates", url_prefix="/meeting-pack"
)

MEDIA_TYPES = {"pdf": "application/pdf", "html": "text/html"}
_CHOOSE, _PAGES = "meeting_pack/choose.html", "meeting_pack/pages.html"


@meeting_pack_page.get("/")
@needs(Deed.MAKE_PACK)
def choose() -> ResponseReturnValue:
    """Show what may be asked for and, once it is asked, the screws to choose from."""
    if not request.args:
        return render_template(_CHOOSE, fields=list_fields(request.args))
    try:
        listed = read_listed(request.args)
    except BadInputError as problem:
        return page_with(problem, _CHOOSE, fields=list_fields(request.args, problem.faults))
    ledger, viewer = current_ledger(), current_viewer()
    found = screws_to_choose(ledger, viewer, listed.asked, listed.at_least)
    shown = found[:PAGE_SIZE]
    look_at_cases(ledger, viewer, {screw.case_id for screw in shown}, now())
    return render_template(
        _CHOOSE,
        fields=list_fields(request.args),
        lines=[_line(screw) for screw in shown],
        total=len(found),
        most=MOST_SCREWS,
        asked={name: request.args.get(name, "") for name in FILTERS},
        scale=SCALES[ledger.settings.scale],
    )


@meeting_pack_page.get("/pages")
@needs(Deed.MAKE_PACK)
def pages() -> ResponseReturnValue:
    """Show which page is which screw, and ask what the pages may say."""
    ledger, viewer = current_ledger(), current_viewer()
    listed = read_listed(request.args)
    is_all = request.args.get("all") == "yes"
    ticked = (
        [one.screw_id for one in screws_to_choose(ledger, viewer, listed.asked, listed.at_least)]
        if is_all
        else read_ticked(request.args)
    )
    screws = chosen_screws(ledger, viewer, ticked, now(), listed.at_least)
    by = ChosenBy.LISTED if is_all else ChosenBy.TICKED
    return render_template(_PAGES, **_page(screws, MultiDict(), by, listed.at_least))


@meeting_pack_page.post("/file")
@needs(Deed.MAKE_PACK)
@confirmed()
def take() -> ResponseReturnValue:
    """Return the pack as one file; an event each time."""
    ledger, viewer, at = current_ledger(), current_viewer(), now()
    order = read_order(request.form)
    try:
        made = meeting_pack(ledger, viewer, order, at)
    except BadInputError as problem:
        screws = chosen_screws(ledger, viewer, order.screw_ids, at, order.at_least)
        page = _page(screws, request.form, order.by, order.at_least)
        return page_with(problem, _PAGES, **page)
    form = request.form.get("form", "")
    data = give_pack(ledger, viewer, made, form, at)
    response = Response(data, mimetype=MEDIA_TYPES[form])
    response.headers["Content-Disposition"] = f'attachment; filename="{NAME}.{form}"'
    return response


def _line(screw: MeetingScrew) -> dict[str, Any]:
    scale = current_ledger().settings.scale
    return {
        "screw": screw,
        "name": screw_name(screw),
        "grade": grade(screw.extents_mm or {}, screw.level, scale) or "",
        "outside": farthest_words(screw),
        "standing": standing_words(screw),
    }


def _page(
    screws: Sequence[MeetingScrew], form: MultiDict[str, str], by: ChosenBy, at_least: AtLeast
) -> dict[str, Any]:
    ledger, viewer = current_ledger(), current_viewer()
    ids = {one for screw in screws for one in screw.found_in}
    pictured = with_pictures(ledger, viewer, ids)
    return {
        "lines": [
            {**_line(screw), "has_picture": bool(pictured & set(screw.found_in))}
            for screw in screws
        ],
        "fields": pack_fields(form),
        "ticked": {name: form.get(name) == "yes" for name in ("quarters", "pseudonyms")},
        "by": by,
        "least": at_least,
        "scale": SCALES[ledger.settings.scale],
    }
