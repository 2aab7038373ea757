"""Show what is missing, step by step, and how much it could change the rate."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template, request

from registry.actions.completeness import assumed_from, measure_completeness
from registry.domain.access import Deed, Reach
from registry.domain.problems import BadInputError, Fault
from registry.web.context import current_ledger, current_viewer
from registry.web.errors import page_with
from registry.web.fields import Field
from registry.web.guard import needs
from registry.web.period import DAYS, EVENT, day_fields, event_fields, read_filters, told_by_field
from registry.web.sent import json_document
from reports.tables.completeness_words import (
    PUBLISHED,
    assumed_rows,
    bound_rows,
    gap_rows,
    step_rows,
    summary,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from flask.typing import ResponseReturnValue

    from reports.tables.completeness import Completeness

completeness_page = Blueprint("completeness", __name__, template_folder="templates")

_PAGE = "completeness/completeness.html"
_ASSUMED = "assumed"
_LEAD = needs(Deed.SEE_SURGEONS, at_least=Reach.ALL)


@completeness_page.get("/completeness")
@_LEAD
def show() -> ResponseReturnValue:
    """Show the steps, the bounds, and the rates under assumptions."""
    try:
        found = _measured()
    except BadInputError as problem:
        return page_with(problem, _PAGE, fields=_fields(problem.faults), found=None)
    return render_template(
        _PAGE,
        fields=_fields(),
        found=found,
        event=found.question.event.words(),
        summary=summary(found),
        steps=step_rows(found),
        gaps=gap_rows(found),
        bounds=bound_rows(found),
        assumed=assumed_rows(found),
        published=PUBLISHED,
        address=request.args.to_dict(),
    )


@completeness_page.get("/completeness.json")
@_LEAD
def as_json() -> ResponseReturnValue:
    """Return the document that the command prints."""
    return json_document(_measured().as_json())


def _measured() -> Completeness:
    question = read_filters(request.args, (*DAYS, *EVENT), others=(_ASSUMED,))
    assumed = assumed_from(request.args.get(_ASSUMED, ""))
    return measure_completeness(current_ledger(), current_viewer(), question, assumed)


def _fields(faults: Iterable[Fault] = ()) -> list[Field]:
    args, wrong = request.args, list(faults)
    asked = Field(
        _ASSUMED,
        "Assumed of unseen, %",
        args.get(_ASSUMED, "").strip(),
        error=told_by_field(wrong).get(_ASSUMED, ""),
        longest=10,
    )
    return [*day_fields(args, wrong), *event_fields(args, wrong), asked]
