"""Correct a case and its screws, and add a screw that was left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from flask import Blueprint, redirect, render_template, request, url_for

from registry.actions import correct_case as of_case
from registry.actions import correct_screw as of_screw
from registry.actions.correct_case import correct_case
from registry.actions.correct_screw import add_screw, correct_screw
from registry.actions.enter_case import known_names
from registry.domain.access import Deed, Reach, reach
from registry.domain.problems import NotFoundError
from registry.domain.techniques import Life
from registry.intake import values
from registry.store.queries.constructs import has_seen
from registry.store.queries.correcting import case_as_entered, correctable_case_id
from registry.store.queries.entering import earlier_screws
from registry.store.queries.scans import correctable_case
from registry.web.context import current_ledger, current_viewer, now, today
from registry.web.errors import page_with
from registry.web.fields import Choice, Field
from registry.web.guard import needs
from registry.web.logs import log
from registry.web.looking import note_look
from registry.web.pages.cases.forms import TEMPLATE, corrected, shown

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from registry.actions.corrections import Correction
    from registry.store.queries.correcting import CaseAsEntered, ScrewAsEntered

corrections = Blueprint("corrections", __name__, template_folder="templates", url_prefix="/cases")

_SEE_OTHER = 303
_NEW_SCREW = {"number": "1", "life": Life.PLACED.value}


@dataclass(frozen=True)
class Link:
    """A link of a list."""

    address: str
    words: str


@corrections.get("/to-correct")
@needs(Deed.ENTER_CASES)
def find() -> ResponseReturnValue:
    """Ask for a case's reference and go to its correction."""
    reference = request.args.get("reference", "").strip()
    field = Field("reference", "Case reference", reference)
    if not reference:
        return render_template("cases/find.html", field=field)
    try:
        with current_ledger().reading() as session:
            case_id = correctable_case_id(session, current_viewer(), reference)
    except NotFoundError as problem:
        return page_with(problem, "cases/find.html", field=field)
    return redirect(url_for(".case", case_id=case_id))


@corrections.get("/<int:case_id>/correct")
@needs(Deed.ENTER_CASES)
def case(case_id: int) -> ResponseReturnValue:
    """Show a case's fields, and links to its screws and scans."""
    found = _shown(case_id)
    return render_template(
        TEMPLATE,
        **_case_page(found),
        **shown(of_case.CORRECTED, found.texts, seen=found.texts, version=found.version),
        news="Saved." if request.args.get("saved") else "",
    )


@corrections.post("/<int:case_id>/correct")
@needs(Deed.ENTER_CASES)
def save_case(case_id: int) -> ResponseReturnValue:
    """Correct the case."""
    found = _found(case_id)

    def act(correction: Correction) -> None:
        correct_case(
            current_ledger(), current_viewer(), case_id, correction, today=today(), now=now()
        )

    def stands() -> tuple[int, Any]:
        present = _shown(case_id)
        return present.version, present.texts

    again = corrected(request.form, of_case.CORRECTED, act, stands, **_case_page(found))
    return again or saved(case_id, "case corrected")


@corrections.get("/<int:case_id>/screws/add")
@needs(Deed.ENTER_CASES)
def new_screw(case_id: int) -> ResponseReturnValue:
    """Ask for a screw that was left out."""
    found = _shown(case_id)
    return render_template(
        TEMPLATE,
        **_screw_page(found, None),
        **shown(of_screw.CORRECTED, _NEW_SCREW, choices=_replaceable(found, None)),
    )


@corrections.post("/<int:case_id>/screws/add")
@needs(Deed.ENTER_CASES)
def save_new_screw(case_id: int) -> ResponseReturnValue:
    """Add the screw."""
    found = _found(case_id)
    again = corrected(
        request.form,
        of_screw.CORRECTED,
        lambda correction: add_screw(
            current_ledger(), current_viewer(), case_id, correction, now=now()
        ),
        lambda: (0, {}),
        **_screw_page(found, None),
        choices=_replaceable(found, None),
    )
    return again or saved(case_id, "screw added")


@corrections.get("/<int:case_id>/screws/<int:screw_id>/correct")
@needs(Deed.ENTER_CASES)
def screw(case_id: int, screw_id: int) -> ResponseReturnValue:
    """Show a screw's fields."""
    found = _shown(case_id)
    held = found.screw(screw_id)
    return render_template(
        TEMPLATE,
        **_screw_page(found, held),
        **shown(
            of_screw.CORRECTED,
            held.texts,
            seen=held.texts,
            version=held.version,
            choices=_replaceable(found, held),
        ),
    )


@corrections.post("/<int:case_id>/screws/<int:screw_id>/correct")
@needs(Deed.ENTER_CASES)
def save_screw(case_id: int, screw_id: int) -> ResponseReturnValue:
    """Correct the screw."""
    found = _found(case_id)
    held = found.screw(screw_id)

    def act(correction: Correction) -> None:
        correct_screw(current_ledger(), current_viewer(), case_id, screw_id, correction, now=now())

    def stands() -> tuple[int, Any]:
        present = _shown(case_id).screw(screw_id)
        return present.version, present.texts

    again = corrected(
        request.form,
        of_screw.CORRECTED,
        act,
        stands,
        **_screw_page(found, held),
        choices=_replaceable(found, held),
    )
    return again or saved(case_id, "screw corrected")


def saved(case_id: int, what: str) -> ResponseReturnValue:
    """Go on to the case, for who may look at it, else back to its correction."""
    log(what)
    try:
        with current_ledger().reading() as session:
            has_seen(session, current_viewer(), case_id)
    except NotFoundError:
        return redirect(url_for("corrections.case", case_id=case_id, saved="yes"), _SEE_OTHER)
    return redirect(url_for("cases.show", case_id=case_id, saved="yes"), _SEE_OTHER)


def _found(case_id: int) -> CaseAsEntered:
    with current_ledger().reading() as session:
        return case_as_entered(session, current_viewer(), case_id)


def _shown(case_id: int) -> CaseAsEntered:
    """Return a case whose values the page shows; that is noted."""
    found = _found(case_id)
    note_look(case_id)
    return found


def _case_page(found: CaseAsEntered) -> dict[str, Any]:
    viewer = current_viewer()
    links = [
        Link(
            url_for(".screw", case_id=found.case_id, screw_id=each.screw_id),
            f"Correct {each.words}, or say what became of it",
        )
        for each in found.screws
    ]
    links.append(Link(url_for(".new_screw", case_id=found.case_id), "Add a screw"))
    if reach(viewer, Deed.LOAD_SCANS) is Reach.ALL:
        with current_ledger().reading() as session:
            held = correctable_case(session, viewer, found.case_id)
        links += [
            Link(
                url_for("case_scans.scan", case_id=found.case_id, scan_id=each.scan_id),
                f"Correct the {each.texts['kind']} of {each.texts['scanned_on']}",
            )
            for each in held.scans
        ]
        new = url_for("case_scans.new_scan", case_id=found.case_id)
        links.append(Link(new, "Add a scan that is held elsewhere"))
    return {
        "title": f"Correct case {found.reference}",
        "lead_in": "Whose case it is cannot be changed; a patient is named once.",
        "action": url_for(".save_case", case_id=found.case_id),
        "button": "Save the correction",
        "is_correction": True,
        "names": known_names(current_ledger(), viewer),
        "links": links,
        "links_title": "Screws and scans",
        **_back(found),
    }


def _screw_page(found: CaseAsEntered, held: ScrewAsEntered | None) -> dict[str, Any]:
    if held is None:
        title, action = "Add a screw to", url_for(".save_new_screw", case_id=found.case_id)
        lead_in = "A placed screw on a scan held here is asked to be read."
    else:
        title = f"Correct {held.words} of"
        action = url_for(".save_screw", case_id=found.case_id, screw_id=held.screw_id)
        lead_in = (
            "It has been read: its readings stay with it, and its grade is worked out again."
            if held.is_read
            else "A screw that is removed or retained is shown and not counted."
        )
    return {
        "title": f"{title} case {found.reference}",
        "lead_in": lead_in,
        "action": action,
        "button": "Save the screw",
        "is_correction": True,
        "names": known_names(current_ledger(), current_viewer()),
        **_back(found),
    }


def _back(found: CaseAsEntered) -> dict[str, str]:
    viewer = current_viewer()
    is_seen = reach(viewer, Deed.SEE_CASES) is not Reach.NONE
    back = (
        url_for("cases.show", case_id=found.case_id)
        if is_seen
        else url_for(".find", reference=found.reference)
    )
    return {"back": back, "back_words": f"To case {found.reference}"}


def _replaceable(found: CaseAsEntered, held: ScrewAsEntered | None) -> dict[str, list[Choice]]:
    """Return the patient's earlier screws, one of which this may replace."""
    own = {each.screw_id for each in found.screws}
    day = values.day(found.texts["operated_on"])
    with current_ledger().reading() as session:
        earlier = earlier_screws(session, current_viewer(), found.patient_hash, day)
    choices = [
        Choice(str(each.screw_id), f"{each.level} {each.side} of {each.operated_on}")
        for each in earlier
        if each.screw_id not in own
    ]
    standing = "" if held is None else held.texts["replaces_id"]
    if standing and standing not in {choice.value for choice in choices}:
        choices.append(Choice(standing, "the screw it was entered with"))
    return {"replaces_id": [Choice("", "none"), *choices]}
