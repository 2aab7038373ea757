"""Show rates as a page, a chart, CSV and JSON, each counted by the same call."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template, request

from registry.actions.count import count_rates, periods_offered
from registry.domain.access import Deed
from registry.domain.problems import BadInputError
from registry.web.context import current_ledger, current_viewer, today
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.pages.rates.lines import COLUMNS, lines, strata
from registry.web.question import address_values, question_fields, read_question
from registry.web.sent import chart_alone, json_document, kept_file
from reports.charts.rates import rates_chart

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from reports.tables.rates import RateTable

rates_page = Blueprint("rates", __name__, template_folder="templates")


@rates_page.get("/rates")
@needs(Deed.SEE_RATES)
def show() -> ResponseReturnValue:
    """Show the filters, the table and the chart that was drawn from it."""
    ledger, viewer = current_ledger(), current_viewer()
    minimum = ledger.settings.minimum_graded
    offered = periods_offered(ledger, viewer, today())
    try:
        question = read_question(request.args, minimum)
    except BadInputError as problem:
        fields = question_fields(request.args, viewer, minimum, offered, problem.faults)
        return page_with(problem, "rates/rates.html", fields=fields, table=None)
    table = count_rates(ledger, viewer, question, today())
    return render_template(
        "rates/rates.html",
        fields=question_fields(request.args, viewer, minimum, offered),
        table=table,
        strata=strata(table),
        columns=COLUMNS,
        lines=lines(table),
        chart=rates_chart(table),
        address=address_values(question),
    )


@rates_page.get("/rates.json")
@needs(Deed.SEE_RATES)
def as_json() -> ResponseReturnValue:
    """Return the table as the command prints it."""
    return json_document(_counted().as_json())


@rates_page.get("/rates.csv")
@needs(Deed.SEE_RATES)
def as_csv() -> ResponseReturnValue:
    """Return the table as comma-separated text, to be kept."""
    return kept_file(_counted().as_csv(), "rates.csv", "text/csv")


@rates_page.get("/rates/chart.svg")
@needs(Deed.SEE_RATES)
def chart() -> ResponseReturnValue:
    """Return the chart alone."""
    return chart_alone(rates_chart(_counted()))


def _counted() -> RateTable:
    ledger = current_ledger()
    question = read_question(request.args, ledger.settings.minimum_graded)
    return count_rates(ledger, current_viewer(), question, today())
