"""Show one screw with every reading of it, and have a reading made again by somebody else."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import Blueprint, redirect, render_template, request, url_for

from registry.actions.evidence import with_pictures
from registry.actions.image_notes import image_notes
from registry.actions.read_again import ask_another_reader
from registry.domain.access import Deed, Reach, reach
from registry.domain.consensus_words import rule_words
from registry.domain.problems import BadInputError, ConflictError
from registry.domain.scales import SCALES, scale_note
from registry.store.queries.screw_readings import screw_in_full
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.exploring import list_address
from registry.web.guard import needs
from registry.web.looking import note_look
from registry.web.pages.screw.lines import scan_part

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

screw_page = Blueprint("screw", __name__, template_folder="templates", url_prefix="/screws")

_PAGE = "screw/screw.html"
_SEE_OTHER = 303


@screw_page.get("/<int:screw_id>")
@needs(Deed.SEE_CASES)
def show(screw_id: int) -> ResponseReturnValue:
    """Show a screw's readings, what counts and why."""
    found = _page(screw_id)
    note_look(found["screw"].case_id)
    return render_template(_PAGE, **found)


@screw_page.post("/<int:screw_id>/again/<int:reading_id>")
@needs(Deed.ORDER_READINGS, at_least=Reach.ALL)
def again(screw_id: int, reading_id: int) -> ResponseReturnValue:
    """Ask for a reading to be made again by another person."""
    reason = request.form.get("reason", "")
    try:
        ask_another_reader(current_ledger(), current_viewer(), reading_id, reason, now())
    except (BadInputError, ConflictError) as problem:
        return page_with(problem, _PAGE, **_page(screw_id), kept={reading_id: reason})
    return redirect(url_for(".show", screw_id=screw_id), _SEE_OTHER)


def _page(screw_id: int) -> dict[str, Any]:
    ledger, viewer = current_ledger(), current_viewer()
    with ledger.reading() as session:
        screw = screw_in_full(session, viewer, ledger.settings.audit_window_days, screw_id)
    rule = ledger.settings.agreement_rule()
    numbers = [each.facts.reading_id for scan in screw.scans for each in scan.readings]
    return {
        "screw": screw,
        "pictured": with_pictures(ledger, viewer, numbers),
        "scans": [
            scan_part(
                scan,
                image_notes(ledger, scan.image_digest) if scan.image_digest else (),
                screw.level,
                rule,
            )
            for scan in screw.scans
        ],
        "scale": SCALES[rule.scale],
        "scale_note": scale_note(screw.level, rule.scale),
        "rule": rule_words(rule),
        "list_address": list_address(request.args, screw_id),
        "may_order": reach(viewer, Deed.ORDER_READINGS) is Reach.ALL and not screw.viewer_took_part,
    }
