"""Show observed over expected, the model, and how far it can be trusted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template, request

from registry.actions.case_mix import adjusted_for_case_mix
from registry.domain.access import Deed, Reach
from registry.domain.problems import BadInputError
from registry.web.context import current_ledger, current_viewer
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.pages.case_mix.forms import case_mix_fields, case_mix_values, read_case_mix
from registry.web.question import is_named
from registry.web.sent import json_document, kept_file
from registry.web.words import headed
from reports.charts.case_mix import calibration_chart, ratio_chart
from reports.statistics.case_mix import CaseMix
from reports.tables.case_mix_words import (
    FIFTH_HEADINGS,
    HEADINGS,
    TERM_HEADINGS,
    sentence,
    trust,
    words_of,
    words_of_fifth,
    words_of_term,
)
from reports.tables.rate_words import stratum_heading

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from reports.tables.case_mix import CaseMixTable

case_mix_page = Blueprint("case_mix", __name__, template_folder="templates")


@case_mix_page.get("/case-mix")
@needs(Deed.SEE_SURGEONS, Reach.ALL)
def show() -> ResponseReturnValue:
    """Show the filters, the groups with their chart, the model and its worth."""
    viewer, minimum = current_viewer(), current_ledger().settings.minimum_graded
    try:
        table = _table()
    except BadInputError as problem:
        fields = case_mix_fields(request.args, viewer, minimum, problem.faults)
        return page_with(problem, "case_mix/case_mix.html", fields=fields, table=None)
    return render_template(
        "case_mix/case_mix.html",
        fields=case_mix_fields(request.args, viewer, minimum),
        table=table,
        headings=[stratum_heading(table.split), *HEADINGS],
        rows=[[row.group, *words_of(row)] for row in table.rows],
        sentences=[told for told in map(sentence, table.rows) if told],
        chart=ratio_chart(table),
        address=case_mix_values(table.question, request.args),
        **_model(table),
    )


@case_mix_page.get("/case-mix.json")
@needs(Deed.SEE_SURGEONS, Reach.ALL)
def as_json() -> ResponseReturnValue:
    """Return the table and the model as the command prints them."""
    return json_document(_table().as_json())


@case_mix_page.get("/case-mix.csv")
@needs(Deed.SEE_SURGEONS, Reach.ALL)
def as_csv() -> ResponseReturnValue:
    """Return the groups as comma-separated text, to be kept."""
    return kept_file(_table().as_csv(), "case-mix.csv", "text/csv")


def _table() -> CaseMixTable:
    ledger, named = current_ledger(), is_named(request.args)
    question = read_case_mix(request.args, ledger.settings.minimum_graded)
    return adjusted_for_case_mix(ledger, current_viewer(), question, is_named=named)


def _model(table: CaseMixTable) -> dict[str, object]:
    """Return what the page tells of the model; nothing where there is none."""
    model = table.model
    if not isinstance(model, CaseMix):
        return {"is_modelled": False}
    return {
        "is_modelled": True,
        "term_headings": ["factor", *TERM_HEADINGS],
        "terms": [
            [headed(factor), *told]
            for factor, *told in (words_of_term(term, model) for term in model.terms)
        ],
        "trust": trust(model),
        "fifth_headings": ["fifth, lowest first", *FIFTH_HEADINGS],
        "fifths": [
            [number, *words_of_fifth(fifth)]
            for number, fifth in enumerate(model.calibration.fifths, start=1)
        ],
        "calibration": calibration_chart(model),
    }
