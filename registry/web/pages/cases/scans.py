"""Note a scan that is held elsewhere, and correct what is recorded of a scan."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import Blueprint, render_template, request, url_for

from registry.actions.scans_of_case import SCAN, add_scan_elsewhere, correct_scan
from registry.actions.what_was_left import what_was_left
from registry.domain.access import Deed, Reach
from registry.domain.scans import ScanKind, ScanReason
from registry.store.queries.scans import correctable_case
from registry.web.context import current_ledger, current_viewer, now, today
from registry.web.guard import needs
from registry.web.looking import note_look
from registry.web.pages.cases.corrections import saved
from registry.web.pages.cases.forms import TEMPLATE, corrected, shown

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from registry.actions.corrections import Correction
    from registry.store.queries.scans import CaseWithScans, ScanOfCase

case_scans = Blueprint("case_scans", __name__, template_folder="templates", url_prefix="/cases")

_NEW = {
    "kind": ScanKind.POST_OPERATIVE_CT.value,
    "reason": ScanReason.NOT_STATED.value,
    "is_adequate": "yes",
}


@case_scans.get("/<int:case_id>/scans/add")
@needs(Deed.LOAD_SCANS, at_least=Reach.ALL)
def new_scan(case_id: int) -> ResponseReturnValue:
    """Ask for a scan that is held elsewhere."""
    return render_template(TEMPLATE, **_page(_shown(case_id), None), **shown(SCAN, _NEW))


@case_scans.post("/<int:case_id>/scans/add")
@needs(Deed.LOAD_SCANS, at_least=Reach.ALL)
def save_new_scan(case_id: int) -> ResponseReturnValue:
    """Note it."""

    def act(typed: Correction) -> None:
        add_scan_elsewhere(
            current_ledger(), current_viewer(), case_id, typed.texts, today=today(), now=now()
        )

    again = corrected(request.form, SCAN, act, lambda: (0, {}), **_page(_found(case_id), None))
    return again or saved(case_id, "scan noted")


@case_scans.get("/<int:case_id>/scans/<int:scan_id>/correct")
@needs(Deed.LOAD_SCANS, at_least=Reach.ALL)
def scan(case_id: int, scan_id: int) -> ResponseReturnValue:
    """Show a scan's fields."""
    found = _shown(case_id)
    held = found.scan(scan_id)
    fields = shown(SCAN, held.texts, seen=held.texts, version=held.version)
    return render_template(TEMPLATE, **_page(found, held), **fields)


@case_scans.post("/<int:case_id>/scans/<int:scan_id>/correct")
@needs(Deed.LOAD_SCANS, at_least=Reach.ALL)
def save_scan(case_id: int, scan_id: int) -> ResponseReturnValue:
    """Correct it."""
    found = _found(case_id)

    def act(typed: Correction) -> None:
        correct_scan(
            current_ledger(),
            current_viewer(),
            case_id,
            scan_id,
            typed,
            today=today(),
            now=now(),
        )

    def stands() -> tuple[int, Any]:
        present = _shown(case_id).scan(scan_id)
        return present.version, present.texts

    again = corrected(request.form, SCAN, act, stands, **_page(found, found.scan(scan_id)))
    return again or saved(case_id, "scan corrected")


def _found(case_id: int) -> CaseWithScans:
    with current_ledger().reading() as session:
        return correctable_case(session, current_viewer(), case_id)


def _shown(case_id: int) -> CaseWithScans:
    """Return a case whose scans the page shows; that is noted."""
    found = _found(case_id)
    note_look(case_id)
    return found


def _page(found: CaseWithScans, held: ScanOfCase | None) -> dict[str, Any]:
    first, last = current_ledger().settings.audit_window_days
    if held is None:
        title, action = "Add a scan to", url_for(".save_new_scan", case_id=found.case_id)
    else:
        title = "Correct a scan of"
        action = url_for(".save_scan", case_id=found.case_id, scan_id=held.scan_id)
    return {
        "title": f"{title} case {found.reference}",
        "lead_in": (
            "The case is counted on its first readable post-operative CT from day "
            f"{first} to day {last} after {found.operated_on} that was not made for symptoms. "
            "Should that come to be another scan, what is owed follows."
        ),
        "action": action,
        "button": "Save the scan",
        "is_correction": held is not None,
        "names": [],
        "back": url_for("corrections.case", case_id=found.case_id),
        "back_words": f"To the correction of case {found.reference}",
        "left_behind": None if held is None else what_was_left(current_ledger(), held.image_digest),
    }
