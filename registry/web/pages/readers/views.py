"""Show how far readers agree, as the command counts it, or to a reader sums of their own pairs."""

from __future__ import annotations

import base64
import json
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from flask import Blueprint, Response, render_template, request

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
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.fields import Choice, Field
from registry.web.guard import needs
from registry.web.period import DAYS, day_fields, read_filters
from reports.charts.readers import difference_chart
from reports.tables.reader_words import (
    chance_rows,
    limits_rows,
    millimetre_rows,
    number_words,
    share_words,
    shortfall_words,
    summary,
)

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue
    from werkzeug.datastructures import MultiDict

    from reports.tables.known_truth import ReaderTruth

readers_page = Blueprint("readers", __name__, template_folder="templates")

_PAGE = "readers/readers.html"
_NAMED = "named"
_DRAWN = {
    Purpose.MIXED: "Drawn screws mixed into worklists unmarked",
    Purpose.PRACTICE: "Drawn screws read in practice",
}


@readers_page.get("/readers")
@needs(Deed.READ_SCREWS, at_least=Reach.ALL)
def show() -> ResponseReturnValue:
    """Show all pairs to who sees everybody's numbers, and to a reader what own pairs come to."""
    ledger, viewer = current_ledger(), current_viewer()
    words = {"number": number_words, "share": share_words}
    if reach(viewer, Deed.SEE_SURGEONS) is not Reach.ALL:
        today = now().astimezone(ZoneInfo(ledger.settings.zone)).date()
        own = own_agreement(ledger, viewer, today)
        return render_template("readers/own.html", own=own, rule=own_rule(), **words)
    try:
        asked = _asked(request.args)
    except BadInputError as problem:
        fields = [*day_fields(request.args, problem.faults), _named_field(request.args)]
        return page_with(problem, _PAGE, fields=fields, found=None)
    found = compare_readers(ledger, viewer, asked)
    chart = difference_chart(found.pairs, found.whole.limits)
    return render_template(
        _PAGE,
        fields=[*day_fields(request.args), _named_field(request.args)],
        found=found,
        whole=found.whole,
        scale=SCALES[found.whole.scale].title,
        summary=summary(found.whole),
        shortfall=shortfall_words(found.whole.patients),
        chance=chance_rows(found.whole),
        millimetres=millimetre_rows(found.whole),
        limits=limits_rows(found.whole),
        picture=chart and base64.b64encode(chart.svg.encode()).decode(),
        alternative=chart and chart.alternative,
        address=request.args.to_dict(),
        drawn=_drawn(is_named=asked.is_named),
        **words,
    )


@readers_page.get("/readers.json")
@needs(Deed.SEE_SURGEONS, at_least=Reach.ALL)
def as_json() -> ResponseReturnValue:
    """Return the document that the command prints."""
    found = compare_readers(current_ledger(), current_viewer(), _asked(request.args))
    text = json.dumps(found.whole.as_json(), allow_nan=False, ensure_ascii=False, indent=2)
    return Response(f"{text}\n", mimetype="application/json")


def _drawn(*, is_named: bool) -> list[tuple[str, str, list[ReaderTruth]]]:
    """Return of each kind of drawn scans what was missed, in a sentence and by reader if named."""
    found = []
    for purpose, heading in _DRAWN.items():
        truth = known_truth(current_ledger(), current_viewer(), purpose)
        if truth.everybody.read:
            readers = [truth.everybody, *(truth.readers if is_named else ())]
            found.append((heading, missed_words(truth.everybody), readers))
    return found


def _asked(args: MultiDict[str, str]) -> AgreementAsked:
    period = read_filters(args, DAYS, others=(_NAMED,))
    return AgreementAsked(period.start, period.end, args.get(_NAMED, "") == "yes")


def _named_field(args: MultiDict[str, str]) -> Field:
    choices = (Choice("", "as codes"), Choice("yes", "by name"))
    return Field(_NAMED, "Readers", args.get(_NAMED, ""), "select", choices)
