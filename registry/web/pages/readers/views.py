"""Show how far readers agree, as the command counts it, or to a reader sums of their own pairs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template, request

from registry.actions.agreement import (
    AgreementAsked,
    compare_readers,
    own_agreement,
    own_rule,
)
from registry.actions.known_truth import known_truth, missed_words
from registry.domain.access import Deed, Reach, reach
from registry.domain.known_truth import Purpose
from registry.domain.problems import BadInputError
from registry.domain.scales import SCALES
from registry.web.context import current_ledger, current_viewer, today
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.pages.readers.lines import TRUTH_HEADINGS, own_rows, truth_rows
from registry.web.period import DAYS, day_fields, read_filters
from registry.web.question import NAMED, is_named, named_field
from registry.web.sent import json_document
from reports.charts.readers import difference_chart
from reports.tables.reader_words import (
    DRIFT_HEADINGS,
    GROUP_HEADINGS,
    chance_rows,
    class_rows,
    drift_rows,
    grade_rows,
    group_rows,
    limits_rows,
    millimetre_rows,
    shortfall_words,
    summary,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from flask.typing import ResponseReturnValue
    from werkzeug.datastructures import MultiDict

    from registry.domain.problems import Fault
    from registry.web.fields import Field
    from reports.tables.known_truth import ReaderTruth

readers_page = Blueprint("readers", __name__, template_folder="templates")

_PAGE = "readers/readers.html"
_DRAWN = {
    Purpose.MIXED: "Drawn screws mixed into worklists unmarked",
    Purpose.PRACTICE: "Drawn screws read in practice",
}


@readers_page.get("/readers")
@needs(Deed.READ_SCREWS, at_least=Reach.ALL)
def show() -> ResponseReturnValue:
    """Show all pairs to who sees everybody's numbers, and to a reader what own pairs come to."""
    ledger, viewer = current_ledger(), current_viewer()
    if reach(viewer, Deed.SEE_SURGEONS) is not Reach.ALL:
        own = own_agreement(ledger, viewer, today())
        return render_template("readers/own.html", own=own, rule=own_rule(), own_rows=own_rows)
    try:
        asked = _asked(request.args)
    except BadInputError as problem:
        fields = _fields(problem.faults)
        return page_with(problem, _PAGE, fields=fields, found=None)
    found = compare_readers(ledger, viewer, asked)
    return render_template(
        _PAGE,
        fields=_fields(),
        found=found,
        whole=found.whole,
        scale=SCALES[found.whole.scale].title,
        summary=summary(found.whole),
        shortfall=shortfall_words(found.whole.patients),
        graded=[*grade_rows(found.whole), *chance_rows(found.whole)],
        classes=class_rows(found.whole),
        millimetres=millimetre_rows(found.whole),
        limits=limits_rows(found.whole),
        chart=difference_chart(found.pairs, found.whole.limits),
        group_headings=GROUP_HEADINGS,
        group_rows=group_rows,
        drift_headings=DRIFT_HEADINGS,
        drifts=drift_rows(found.drifts),
        truth_headings=TRUTH_HEADINGS,
        truth_rows=truth_rows,
        drawn=_drawn(named=asked.is_named),
        address=request.args.to_dict(),
    )


@readers_page.get("/readers.json")
@needs(Deed.SEE_SURGEONS, at_least=Reach.ALL)
def as_json() -> ResponseReturnValue:
    """Return the document that the command prints."""
    found = compare_readers(current_ledger(), current_viewer(), _asked(request.args))
    return json_document(found.whole.as_json())


def _drawn(*, named: bool) -> list[tuple[str, str, list[ReaderTruth]]]:
    """Return of each kind of drawn scans what was missed, in a sentence and by reader if named."""
    found = []
    for purpose, heading in _DRAWN.items():
        truth = known_truth(current_ledger(), current_viewer(), purpose)
        if truth.everybody.read:
            readers = [truth.everybody, *(truth.readers if named else ())]
            found.append((heading, missed_words(truth.everybody), readers))
    return found


def _asked(args: MultiDict[str, str]) -> AgreementAsked:
    period = read_filters(args, DAYS, others=(NAMED,))
    return AgreementAsked(period.start, period.end, is_named(args))


def _fields(faults: Iterable[Fault] = ()) -> list[Field]:
    return [*day_fields(request.args, faults), named_field(request.args, "Readers")]
