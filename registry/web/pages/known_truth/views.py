"""Show what readers find of drawn screws whose truth is known, as the command counts it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template, request

from registry.actions.evidence import with_pictures
from registry.actions.known_truth import known_truth, known_truth_document, missed_words
from registry.domain.access import Deed, Reach
from registry.domain.known_truth import Purpose
from registry.domain.problems import BadInputError, Fault
from registry.domain.scales import SCALES
from registry.web.context import current_ledger, current_viewer
from registry.web.guard import needs
from registry.web.pages.practice.lines import line, share_words
from registry.web.paging import page_of
from registry.web.sent import json_document

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from registry.actions.known_truth import KnownTruth

known_truth_page = Blueprint("known_truth", __name__, template_folder="templates")

_LEAD = needs(Deed.SEE_SURGEONS, at_least=Reach.ALL)


@known_truth_page.get("/known-truth")
@_LEAD
def show() -> ResponseReturnValue:
    """Show each reader's sums, and every breached screw that was read, missed ones first."""
    ledger, viewer = current_ledger(), current_viewer()
    found, scale = _found(), ledger.settings.scale
    breached = [each for each in found.readings if each.judged and each.judged.is_breached]
    breached.sort(key=lambda each: not (each.judged and each.judged.is_missed))
    page = page_of(breached, request.args.get("page"))
    return render_template(
        "known_truth/known_truth.html",
        found=found,
        purposes=[(each.value, each is found.purpose) for each in Purpose],
        missed=missed_words(found.everybody),
        page=page,
        lines=[line(each, scale) for each in page.items],
        pictured=with_pictures(ledger, viewer, [each.reading.reading_id for each in page.items]),
        share=share_words,
        scale=SCALES[scale].title,
        mixed_percent=100 * ledger.settings.known_truth_share,
    )


@known_truth_page.get("/known-truth.json")
@_LEAD
def sent() -> ResponseReturnValue:
    """Return the document that the command prints."""
    return json_document(known_truth_document(_found()))


def _found() -> KnownTruth:
    asked = request.args.get("of", Purpose.MIXED.value)
    try:
        purpose = Purpose(asked)
    except ValueError:
        words = " or ".join(Purpose)
        raise BadInputError(Fault("there are no such drawn screws", "of", f"use {words}")) from None
    return known_truth(current_ledger(), current_viewer(), purpose)
