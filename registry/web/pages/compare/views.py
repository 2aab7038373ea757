"""Show groups of screws compared as a page, a chart, CSV and JSON, each by the same call."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template, request

from registry.actions.compare_groups import compare_groups
from registry.domain.access import Deed, Reach
from registry.domain.problems import BadInputError
from registry.web.context import current_ledger, current_viewer
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.pages.compare.forms import (
    comparison_fields,
    comparison_values,
    group_choices,
    read_comparison,
)
from registry.web.question import is_named
from registry.web.sent import chart_alone, json_document, kept_file
from reports.charts.compare import comparison_chart
from reports.tables.compare_words import (
    HEADINGS,
    TREND_HEADINGS,
    sentence,
    trend_sentence,
    words_of_pair,
    words_of_trend,
)
from reports.tables.rate_words import HEADINGS as RATE_HEADINGS
from reports.tables.rate_words import stratum_heading, words_of

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from reports.tables.compare import ComparisonQuestion, ComparisonTable

compare_page = Blueprint("compare", __name__, template_folder="templates")


@compare_page.get("/compare")
@needs(Deed.SEE_SURGEONS, Reach.ALL)
def show() -> ResponseReturnValue:
    """Show the filters, the groups, their differences, the chart of these, and trends."""
    viewer, minimum = current_viewer(), current_ledger().settings.minimum_graded
    try:
        asked = read_comparison(request.args, minimum)
        table = _compared(asked)
    except BadInputError as problem:
        fields = comparison_fields(request.args, viewer, minimum, None, problem.faults)
        return page_with(problem, "compare/compare.html", fields=fields, table=None)
    heading = stratum_heading(asked.split)
    return render_template(
        "compare/compare.html",
        fields=comparison_fields(request.args, viewer, minimum, table),
        groups=group_choices(table),
        of=asked.split.value,
        table=table,
        rate_headings=[heading, *RATE_HEADINGS],
        rates=[[*row.stratum.values(), *words_of(row)] for row in table.rows],
        headings=[heading, *HEADINGS],
        pairs=[words_of_pair(pair) for pair in table.pairs],
        sentences=[sentence(pair) for pair in table.pairs],
        trend_headings=[heading, *TREND_HEADINGS],
        trends=[
            [name or "together", *words_of_trend(found)] for name, found in table.trends.items()
        ],
        trend_told=trend_sentence("", table.trends[""]) if table.trends else "",
        chart=comparison_chart(table),
        address=comparison_values(asked, request.args),
    )


@compare_page.get("/compare.json")
@needs(Deed.SEE_SURGEONS, Reach.ALL)
def as_json() -> ResponseReturnValue:
    """Return the comparison as the command prints it."""
    return json_document(_asked().as_json())


@compare_page.get("/compare.csv")
@needs(Deed.SEE_SURGEONS, Reach.ALL)
def as_csv() -> ResponseReturnValue:
    """Return the pairs as comma-separated text, to be kept."""
    return kept_file(_asked().as_csv(), "compare.csv", "text/csv")


@compare_page.get("/compare/chart.svg")
@needs(Deed.SEE_SURGEONS, Reach.ALL)
def chart() -> ResponseReturnValue:
    """Return the chart alone."""
    return chart_alone(comparison_chart(_asked()))


def _asked() -> ComparisonTable:
    return _compared(read_comparison(request.args, current_ledger().settings.minimum_graded))


def _compared(asked: ComparisonQuestion) -> ComparisonTable:
    named = is_named(request.args)
    return compare_groups(current_ledger(), current_viewer(), asked, is_named=named)
