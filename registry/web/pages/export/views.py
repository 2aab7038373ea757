"""Say what can be exported, and give it as one zip once the password has been entered again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, Response, render_template, request

from registry.actions.export_files import zip_export
from registry.actions.export_research import export_research
from registry.actions.export_tables import export_tables
from registry.domain.access import Deed, Reach
from registry.domain.problems import BadInputError
from registry.store.exporting.tables import SHAPES
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.guard import confirmed, needs
from registry.web.pages.export.forms import RESEARCH, TABLES, read_asked
from registry.web.pages.export.forms import research_fields as for_research
from registry.web.pages.export.forms import table_fields as for_tables

if TYPE_CHECKING:
    from typing import Any

    from flask.typing import ResponseReturnValue

export_page = Blueprint("export", __name__, template_folder="templates")


@export_page.get("/export")
@needs(Deed.EXPORT, at_least=Reach.ALL)
def show() -> ResponseReturnValue:
    """Show what is in each export, and the forms that ask for one."""
    return render_template("export/export.html", **_page())


@export_page.post("/export/file")
@needs(Deed.EXPORT, at_least=Reach.ALL)
@confirmed()
def take() -> ResponseReturnValue:
    """Return an export as one zip."""
    ledger, viewer, at = current_ledger(), current_viewer(), now()
    try:
        asked = read_asked(request.form)
        export = (
            export_research(ledger, viewer, asked.form, asked.by, at)
            if asked.is_research
            else export_tables(ledger, viewer, asked.form, at)
        )
    except BadInputError as problem:
        return page_with(problem, "export/export.html", **_page())
    response = Response(zip_export(ledger, viewer, export, at), mimetype="application/zip")
    name = RESEARCH if asked.is_research else TABLES
    response.headers["Content-Disposition"] = f'attachment; filename="{name}.zip"'
    return response


def _page() -> dict[str, Any]:
    return {
        "shapes": SHAPES,
        "for_tables": for_tables(),
        "for_research": for_research(),
        "what": {"tables": TABLES, "research": RESEARCH},
    }
