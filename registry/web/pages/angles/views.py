"""Show angles and sizes: against usual ranges, by technique, and with how many breaches."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template, request

from registry.actions.angles import measure_angles
from registry.domain.access import Deed, Reach
from registry.domain.problems import BadInputError
from registry.web.context import current_ledger, current_viewer
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.period import DAYS, EVENT, day_fields, event_fields, read_filters
from reports.tables.angle_words import LEVEL_HEADINGS, band_rows, level_rows

if TYPE_CHECKING:
    from collections.abc import Iterable

    from flask.typing import ResponseReturnValue

    from registry.domain.problems import Fault
    from registry.web.fields import Field

angles_page = Blueprint("angles", __name__, template_folder="templates")

_PAGE = "angles/angles.html"


@angles_page.get("/angles")
@needs(Deed.SEE_SURGEONS, at_least=Reach.ALL)
def show() -> ResponseReturnValue:
    """Show each angle, then diameters and lengths."""
    minimum = current_ledger().settings.minimum_graded
    try:
        question = read_filters(request.args, (*DAYS, *EVENT), minimum=minimum)
    except BadInputError as problem:
        return page_with(problem, _PAGE, fields=_fields(problem.faults), found=None)
    found = measure_angles(current_ledger(), current_viewer(), question)
    return render_template(
        _PAGE,
        fields=_fields(),
        found=found,
        tables=found.tables,
        event=question.event.words(),
        minimum=minimum,
        level_headings=LEVEL_HEADINGS,
        level_rows=level_rows,
        band_rows=band_rows,
    )


def _fields(faults: Iterable[Fault] = ()) -> list[Field]:
    wrong = list(faults)
    return [*day_fields(request.args, wrong), *event_fields(request.args, wrong)]
