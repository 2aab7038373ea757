"""Show a run of screws over time as a page and JSON, counted by the same call."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from flask import Blueprint, render_template, request

from registry.actions.count import periods_offered
from registry.actions.count_runs import WHOLE_UNIT, count_run, runs_offered
from registry.domain.access import Deed
from registry.domain.problems import BadInputError, Fault
from registry.web.context import current_ledger, current_viewer, today
from registry.web.errors import page_with
from registry.web.fields import Choice, Field
from registry.web.guard import needs
from registry.web.question import PERIOD, counted_fields, counted_values, read_counted
from registry.web.sent import json_document
from reports.charts.runs import difference_chart, group_chart, quarter_chart, sequential_chart
from reports.tables.run_words import (
    GROUP_HEADINGS,
    QUARTER_HEADINGS,
    STEP_HEADINGS,
    average_words,
    group_lines,
    quarter_lines,
    step_lines,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from flask.typing import ResponseReturnValue

    from registry.actions.count_runs import Whose
    from reports.tables.run_table import RunTable

runs_page = Blueprint("runs", __name__, template_folder="templates")

SURGEON = "surgeon"
_STEPS_SHOWN = 15


@runs_page.get("/runs")
@needs(Deed.COMPARE_SURGEONS)
def show() -> ResponseReturnValue:
    """Show the filters, the tables, and the charts that were drawn from them."""
    ledger, viewer = current_ledger(), current_viewer()
    offered = runs_offered(ledger, viewer)
    try:
        table = _counted()
    except BadInputError as problem:
        return page_with(
            problem, "runs/runs.html", fields=_fields(offered, problem.faults), table=None
        )
    address = counted_values(table.question)
    if request.args.get(SURGEON):
        address[SURGEON] = request.args[SURGEON]
    return render_template(
        "runs/runs.html",
        fields=_fields(offered),
        table=table,
        step_headings=STEP_HEADINGS,
        step_lines=step_lines(table)[-_STEPS_SHOWN:],
        quarter_headings=QUARTER_HEADINGS,
        quarter_lines=quarter_lines(table),
        group_headings=GROUP_HEADINGS,
        group_lines=group_lines(table),
        average=average_words(),
        by_day=difference_chart(table) if table.steps else None,
        sequential=sequential_chart(table) if table.steps else None,
        quarters=quarter_chart(table) if table.quarters else None,
        groups=group_chart(table) if table.groups else None,
        address=address,
    )


@runs_page.get("/runs.json")
@needs(Deed.COMPARE_SURGEONS)
def as_json() -> ResponseReturnValue:
    """Return the run as the command prints it."""
    return json_document(_counted().as_json())


def _counted() -> RunTable:
    ledger = current_ledger()
    question = read_counted(request.args, ledger.settings.minimum_graded, (SURGEON,))
    said = request.args.get(SURGEON, "").strip()
    if said and not (said.isascii() and said.isdigit()):
        fault = Fault(f"{said[:40]!r} cannot be used", SURGEON, "choose one of the list")
        raise BadInputError(fault)
    person = int(said) if said else None
    return count_run(ledger, current_viewer(), question, person, today())


def _fields(offered: Sequence[Whose] | None, faults: Iterable[Fault] = ()) -> list[Field]:
    """Return whose run, for who may choose, and the rates' filters."""
    ledger, viewer = current_ledger(), current_viewer()
    periods = periods_offered(ledger, viewer, today())
    made = counted_fields(request.args, viewer, ledger.settings.minimum_graded, periods, faults)
    if offered is None:
        return [_to_today(field) for field in made]
    choices = [
        Choice("", WHOLE_UNIT),
        *(Choice(str(whose.person), whose.name) for whose in offered),
    ]
    wrong = " ".join(fault.what for fault in faults if fault.where == SURGEON)
    value = request.args.get(SURGEON, "").strip()
    return [Field(SURGEON, "Run of", value, "select", choices, error=wrong), *made]


def _to_today(field: Field) -> Field:
    """Return a period's field whose first choice is all of the own screws."""
    if field.name != PERIOD:
        return field
    choices = [choice for choice in field.choices if not choice.words.startswith("all to today")]
    return replace(field, choices=[Choice("", "all to today"), *choices[1:]])
