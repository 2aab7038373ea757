"""Show surgeons beside one another as a page, CSV and JSON, each counted by the same call."""

from __future__ import annotations

import base64
import json
from typing import TYPE_CHECKING

from flask import Blueprint, Response, render_template, request

from registry.actions.count import periods_offered
from registry.actions.count_surgeons import count_surgeons
from registry.domain.access import Deed
from registry.domain.problems import BadInputError
from registry.web.context import current_ledger, current_viewer, today
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.pages.surgeons.forms import (
    NAMED,
    WIDEN,
    filter_fields,
    filter_values,
    is_named,
    read_filters,
    read_widening,
    shown_fields,
)
from reports.charts.funnel import funnel_chart
from reports.tables.surgeon_words import CONVERSATION, HEADINGS, SIGNALS, imaging_words, words_of

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from reports.tables.surgeon_table import SurgeonTable

surgeons_page = Blueprint("surgeons", __name__, template_folder="templates")

_OWN_FILTERS = (NAMED, WIDEN)


@surgeons_page.get("/surgeons")
@needs(Deed.COMPARE_SURGEONS)
def show() -> ResponseReturnValue:
    """Show the filters, the tables, the funnel, and what to look at in which order."""
    ledger, viewer = current_ledger(), current_viewer()
    minimum = ledger.settings.minimum_graded
    offered = periods_offered(ledger, viewer, today())
    try:
        table = _counted()
    except BadInputError as problem:
        fields = filter_fields(request.args, viewer, minimum, offered, problem.faults)
        fields += shown_fields(request.args, viewer)
        return page_with(problem, "surgeons/surgeons.html", fields=fields, table=None)
    chart = funnel_chart(table)
    address = filter_values(table.question) | {WIDEN: table.widening.value}
    if is_named(request.args):
        address |= {NAMED: "yes"}
    return render_template(
        "surgeons/surgeons.html",
        fields=[
            *filter_fields(request.args, viewer, minimum, offered),
            *shown_fields(request.args, viewer),
        ],
        table=table,
        lines=[
            dict(zip(HEADINGS, words_of(point), strict=True)) | {"reasons": imaging_words(point)}
            for point in table.points
        ],
        picture=base64.b64encode(chart.svg.encode()).decode() if chart else "",
        alternative=chart.alternative if chart else "",
        signals=SIGNALS,
        conversation=CONVERSATION,
        address=address,
    )


@surgeons_page.get("/surgeons.json")
@needs(Deed.COMPARE_SURGEONS)
def as_json() -> ResponseReturnValue:
    """Return the points as the command prints them."""
    text = json.dumps(_counted().as_json(), allow_nan=False, ensure_ascii=False, indent=2)
    return Response(f"{text}\n", mimetype="application/json")


@surgeons_page.get("/surgeons.csv")
@needs(Deed.COMPARE_SURGEONS)
def as_csv() -> ResponseReturnValue:
    """Return the points as comma-separated text, to be kept."""
    response = Response(_counted().as_csv(), mimetype="text/csv")
    response.headers["Content-Disposition"] = 'attachment; filename="surgeons.csv"'
    return response


def _counted() -> SurgeonTable:
    ledger = current_ledger()
    question = read_filters(request.args, ledger.settings.minimum_graded, _OWN_FILTERS)
    return count_surgeons(
        ledger,
        current_viewer(),
        question,
        today(),
        is_named=is_named(request.args),
        widening=read_widening(request.args),
    )
