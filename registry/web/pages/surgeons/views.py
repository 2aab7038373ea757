"""Show surgeons beside one another as a page, CSV and JSON, each counted by the same call."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template, request

from registry.actions.count import periods_offered
from registry.actions.count_surgeons import count_surgeons
from registry.domain.access import Deed
from registry.domain.problems import BadInputError
from registry.web.context import current_ledger, current_viewer, today
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.pages.surgeons.forms import WIDEN, read_widening, shown_fields
from registry.web.pages.surgeons.lines import (
    IMAGED,
    LIKELY,
    POINTS,
    REASONS,
    drawn_how,
    imaged_lines,
    likely_lines,
    point_lines,
)
from registry.web.question import NAMED, counted_fields, counted_values, is_named, read_counted
from registry.web.sent import json_document, kept_file
from reports.charts.funnel import funnel_chart
from reports.tables.surgeon_words import CONVERSATION, SIGNALS

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
        fields = counted_fields(request.args, viewer, minimum, offered, problem.faults)
        fields += shown_fields(request.args, viewer)
        return page_with(problem, "surgeons/surgeons.html", fields=fields, table=None)
    address = counted_values(table.question) | {WIDEN: table.widening.value}
    if is_named(request.args):
        address |= {NAMED: "yes"}
    return render_template(
        "surgeons/surgeons.html",
        fields=[
            *counted_fields(request.args, viewer, minimum, offered),
            *shown_fields(request.args, viewer),
        ],
        table=table,
        point_headings=[*POINTS.values()],
        points=point_lines(table),
        chart=funnel_chart(table),
        drawn_how=drawn_how(table),
        likely_headings=[*LIKELY.values()],
        likely=likely_lines(table),
        imaged_headings=[*IMAGED.values(), REASONS],
        imaged=imaged_lines(table),
        signals=SIGNALS,
        conversation=CONVERSATION,
        address=address,
    )


@surgeons_page.get("/surgeons.json")
@needs(Deed.COMPARE_SURGEONS)
def as_json() -> ResponseReturnValue:
    """Return the points as the command prints them."""
    return json_document(_counted().as_json())


@surgeons_page.get("/surgeons.csv")
@needs(Deed.COMPARE_SURGEONS)
def as_csv() -> ResponseReturnValue:
    """Return the points as comma-separated text, to be kept."""
    return kept_file(_counted().as_csv(), "surgeons.csv", "text/csv")


def _counted() -> SurgeonTable:
    ledger = current_ledger()
    question = read_counted(request.args, ledger.settings.minimum_graded, _OWN_FILTERS)
    return count_surgeons(
        ledger,
        current_viewer(),
        question,
        today(),
        is_named=is_named(request.args),
        widening=read_widening(request.args),
    )
