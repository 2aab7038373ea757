"""A surgeon's own results for appraisal: the page, and the same as a document to keep."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from flask import Blueprint, Response, render_template, request

from registry.actions.count import periods_offered
from registry.actions.own_results import as_surgeon, own_as_document, own_results
from registry.domain.access import Deed
from registry.domain.problems import BadInputError
from registry.domain.reply import quarter_of
from registry.web.context import current_ledger, current_viewer, now, today
from registry.web.errors import page_with
from registry.web.exploring import crossings
from registry.web.guard import needs
from registry.web.headers import REPORT_POLICY
from registry.web.question import counted_fields, counted_values, read_counted
from reports.documents.blocks import Figure, Heading, Paragraph, Points, Table
from reports.documents.html import as_html
from reports.documents.own_document import numbers_blocks, outside_blocks, rest_blocks
from reports.documents.pdf import as_pdf

if TYPE_CHECKING:
    from collections.abc import Iterable

    from flask.typing import ResponseReturnValue

    from registry.domain.problems import Fault
    from registry.web.fields import Field
    from reports.documents.blocks import Block
    from reports.documents.own import OwnReport

own_page = Blueprint("own", __name__, template_folder="templates", url_prefix="/own")

NOTES = "notes"
_KINDS = {
    Heading: "heading",
    Paragraph: "paragraph",
    Points: "points",
    Table: "table",
    Figure: "figure",
}
_OWN = needs(Deed.SEE_OWN)


@own_page.get("/")
@_OWN
def show() -> ResponseReturnValue:
    """Show own results, with a link from each screw that stands outside to where it is mended."""
    try:
        report = _made()
    except BadInputError as problem:
        fields = _fields(problem.faults)
        return page_with(problem, "own/own.html", fields=fields, report=None)
    screws = outside_blocks(report)
    blocks = numbers_blocks(report)
    headings = [each for each in (*blocks, *screws) if isinstance(each, Heading)]
    return render_template(
        "own/own.html",
        fields=_fields(),
        report=report,
        sections=[(_mark(each), each.text) for each in headings],
        numbers=_shown(blocks),
        # Beneath their table the screws themselves follow, with pictures and links.
        breached=_shown(screws),
        rest=_shown(rest_blocks(report)),
        quarters={screw.screw_id: quarter_of(screw.operated_on).name for screw in report.breached},
        address=counted_values(report.question),
        crossings=crossings(current_viewer(), counted_values(report.question)),
    )


@own_page.get("/report")
@_OWN
def read() -> ResponseReturnValue:
    """Show own results as one page that needs nothing else."""
    ledger, viewer = current_ledger(), current_viewer()
    response = Response(as_html(own_as_document(ledger, viewer, _made())), mimetype="text/html")
    response.headers["Content-Security-Policy"] = REPORT_POLICY
    return response


@own_page.get("/report.pdf")
@_OWN
def keep() -> ResponseReturnValue:
    """Give own results as a tagged PDF."""
    ledger, viewer = current_ledger(), current_viewer()
    content = as_pdf(own_as_document(ledger, viewer, _made()))
    response = Response(content, mimetype="application/pdf")
    response.headers["Content-Disposition"] = 'attachment; filename="own-results.pdf"'
    return response


def _made() -> OwnReport:
    ledger = current_ledger()
    question = read_counted(request.args, ledger.settings.minimum_graded, (NOTES,))
    return own_results(
        ledger, current_viewer(), question, now(), with_notes=request.args.get(NOTES) == "yes"
    )


def _fields(faults: Iterable[Fault] = ()) -> list[Field]:
    ledger, viewer = current_ledger(), as_surgeon(current_viewer())
    offered = periods_offered(ledger, viewer, today())
    minimum = ledger.settings.minimum_graded
    made = counted_fields(request.args, viewer, minimum, offered, faults)
    return [replace(field, label=_LABELS.get(field.name, field.label)) for field in made]


_LABELS = {"period": "Operations of"}


def _shown(blocks: Iterable[Block]) -> list[dict[str, Any]]:
    """Return blocks as the template takes them."""
    return [_block(block) for block in blocks]


def _block(block: Block) -> dict[str, Any]:
    held: dict[str, Any] = {"kind": _KINDS[type(block)], "block": block}
    if isinstance(block, Heading):
        held["mark"] = _mark(block)
    if isinstance(block, Figure):
        held["svg"] = base64.b64encode(block.chart.svg.encode()).decode()
    return held


def _mark(heading: Heading) -> str:
    """Return the heading's place in the page, as its address names it."""
    return "-".join(re.findall("[a-z]+", heading.text.lower()))
