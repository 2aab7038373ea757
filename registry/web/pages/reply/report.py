"""A quarter's report, read in the browser or kept as a file: the files that the command writes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, Response

from registry.actions.quarter_files import FORMS
from registry.actions.quarter_numbers import quarter_numbers
from registry.domain.access import Deed, Reach
from registry.domain.problems import NotFoundError
from registry.web.context import current_ledger, current_viewer, now
from registry.web.guard import needs
from registry.web.headers import REPORT_POLICY

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

quarter_report = Blueprint("quarter_report", __name__, url_prefix="/quarters")

MEDIA_TYPES = {
    "pdf": "application/pdf",
    "json": "application/json",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "zip": "application/zip",
}


@quarter_report.get("/<period>/report")
@needs(Deed.SEE_SURGEONS, at_least=Reach.ALL)
def read(period: str) -> ResponseReturnValue:
    """Show the report as it stands now."""
    response = Response(_made(period, "html"), mimetype="text/html")
    response.headers["Content-Security-Policy"] = REPORT_POLICY
    return response


@quarter_report.get("/<period>/report.<form>")
@needs(Deed.SEE_SURGEONS, at_least=Reach.ALL)
def keep(period: str, form: str) -> ResponseReturnValue:
    """Give the report as a file, as it stands now."""
    if form not in MEDIA_TYPES:
        raise NotFoundError(f"there is no such form of a report: {', '.join(MEDIA_TYPES)}")
    response = Response(_made(period, form), mimetype=MEDIA_TYPES[form])
    response.headers["Content-Disposition"] = f'attachment; filename="{period}.{form}"'
    return response


def _made(period: str, form: str) -> bytes:
    return FORMS[form](quarter_numbers(current_ledger(), current_viewer(), period, now()))
