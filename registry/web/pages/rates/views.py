"""Show rates as a page, a chart, CSV and JSON, each counted by the same call."""

from __future__ import annotations

import base64
import json
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from flask import Blueprint, Response, render_template, request

from registry.actions.count import count_rates, periods_offered
from registry.domain.access import Deed
from registry.domain.problems import BadInputError
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.headers import PICTURE_POLICY
from registry.web.pages.rates.forms import address_values, question_fields, read_question
from registry.web.pages.rates.lines import headings, lines
from reports.charts.rates import rates_chart

if TYPE_CHECKING:
    from datetime import date

    from flask.typing import ResponseReturnValue

    from reports.tables.rates import RateTable

rates_page = Blueprint("rates", __name__, template_folder="templates")


@rates_page.get("/rates")
@needs(Deed.SEE_RATES)
def show() -> ResponseReturnValue:
    """Show the filters, the table and the chart that was drawn from it."""
    ledger, viewer = current_ledger(), current_viewer()
    minimum = ledger.settings.minimum_graded
    offered = periods_offered(ledger, viewer, _today())
    try:
        question = read_question(request.args, minimum)
    except BadInputError as problem:
        fields = question_fields(request.args, viewer, minimum, offered, problem.faults)
        return page_with(problem, "rates/rates.html", fields=fields, table=None)
    table = count_rates(ledger, viewer, question, _today())
    chart = rates_chart(table)
    return render_template(
        "rates/rates.html",
        fields=question_fields(request.args, viewer, minimum, offered),
        table=table,
        headings=headings(table),
        lines=lines(table),
        # In the page itself, so that table and chart are of one count.
        picture=base64.b64encode(chart.svg.encode()).decode(),
        alternative=chart.alternative,
        address=address_values(question),
    )


@rates_page.get("/rates.json")
@needs(Deed.SEE_RATES)
def as_json() -> ResponseReturnValue:
    """Return the table as the command prints it."""
    text = json.dumps(_counted().as_json(), allow_nan=False, ensure_ascii=False, indent=2)
    return Response(f"{text}\n", mimetype="application/json")


@rates_page.get("/rates.csv")
@needs(Deed.SEE_RATES)
def as_csv() -> ResponseReturnValue:
    """Return the table as comma-separated text, to be kept."""
    response = Response(_counted().as_csv(), mimetype="text/csv")
    response.headers["Content-Disposition"] = 'attachment; filename="rates.csv"'
    return response


@rates_page.get("/rates/chart.svg")
@needs(Deed.SEE_RATES)
def chart() -> ResponseReturnValue:
    """Return the chart alone."""
    response = Response(rates_chart(_counted()).svg, mimetype="image/svg+xml")
    response.headers["Content-Security-Policy"] = PICTURE_POLICY
    return response


def _counted() -> RateTable:
    ledger = current_ledger()
    question = read_question(request.args, ledger.settings.minimum_graded)
    return count_rates(ledger, current_viewer(), question, _today())


def _today() -> date:
    """Return the unit's own day."""
    return now().astimezone(ZoneInfo(current_ledger().settings.zone)).date()
