"""What came in and is on its way to becoming a scan: a list, and each by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, redirect, render_template, request, url_for

from registry.actions.arrivals import arrivals, cancel_arrival, close_arrival, one_arrival
from registry.domain.access import Deed, Reach
from registry.domain.problems import BadInputError, ConflictError
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.pages.scans.lines import Group, goes_on_by_itself, how_far, lines_of
from registry.web.pages.scans.page import ARRIVAL, arrival_page, reads
from registry.web.paging import page_of

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

scans_page = Blueprint(
    "scans", __name__, template_folder="templates", static_folder="static", url_prefix="/scans"
)
LOADERS = needs(Deed.LOAD_SCANS, at_least=Reach.ALL)
SEE_OTHER = 303


@scans_page.get("/")
@LOADERS
def listed() -> ResponseReturnValue:
    """List what came in: what waits for a person, what is under way, what ended."""
    lines = lines_of(arrivals(current_ledger(), current_viewer()))
    page = page_of(lines, request.args.get("page"))
    groups = [(group, [line for line in page.items if line.group is group]) for group in Group]
    waiting = sum(line.group is Group.WAITING for line in lines)
    return render_template(
        "scans/list.html",
        page=page,
        groups=groups,
        waiting=waiting,
        reads=reads(current_viewer()),
    )


@scans_page.get("/<int:arrival_id>")
@LOADERS
def show(arrival_id: int) -> ResponseReturnValue:
    """Show one of them: what it holds, what is asked, or what became of it."""
    return render_template(ARRIVAL, **arrival_page(arrival_id))


@scans_page.get("/<int:arrival_id>.json")
@LOADERS
def progress(arrival_id: int) -> ResponseReturnValue:
    """Say how far it is, for the page that follows it."""
    arrival = one_arrival(current_ledger(), current_viewer(), arrival_id)
    return {
        "state": arrival.state.value,
        "words": how_far(arrival),
        "done": arrival.done,
        "total": arrival.total,
        "goes_on_by_itself": goes_on_by_itself(arrival),
    }


@scans_page.post("/<int:arrival_id>/finish")
@LOADERS
def finish(arrival_id: int) -> ResponseReturnValue:
    """Take it that nothing more comes: it is looked through next."""
    try:
        close_arrival(current_ledger(), current_viewer(), arrival_id, now())
    except (BadInputError, ConflictError) as problem:
        return page_with(problem, ARRIVAL, **arrival_page(arrival_id))
    return redirect(url_for(".show", arrival_id=arrival_id), SEE_OTHER)


@scans_page.post("/<int:arrival_id>/cancel")
@LOADERS
def cancel(arrival_id: int) -> ResponseReturnValue:
    """Drop it with everything that came."""
    try:
        cancel_arrival(current_ledger(), current_viewer(), arrival_id, now())
    except ConflictError as problem:
        return page_with(problem, ARRIVAL, **arrival_page(arrival_id))
    return redirect(url_for(".listed"), SEE_OTHER)
