"""List the screws that are to be read; a row tells nothing of whose they are."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template, request

from registry.actions.teaching import practice_state
from registry.actions.worklist import worklist
from registry.domain.access import Deed, Reach
from registry.web.context import current_ledger, current_viewer, now
from registry.web.guard import needs
from registry.web.paging import page_of

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

worklist_page = Blueprint("worklist", __name__, template_folder="templates")


@worklist_page.get("/worklist")
@needs(Deed.READ_SCREWS, at_least=Reach.ALL)
def show() -> ResponseReturnValue:
    """Show the owed readings that the viewer may take on."""
    viewer = current_viewer()
    is_reader = viewer.person_id is not None
    owed = worklist(current_ledger(), viewer, now()) if is_reader else []
    page = page_of(owed, request.args.get("page"))
    practice = practice_state(current_ledger(), viewer)
    return render_template("worklist/list.html", page=page, is_reader=is_reader, practice=practice)
