"""Enter a case by hand: lay its construct out, type the exceptions, save."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from flask import Blueprint, redirect, render_template, request, url_for

from registry.actions.enter_case import (
    enter_case,
    known_names,
    look_up_earlier,
    unknown_names,
)
from registry.domain.access import Deed, Reach, reach
from registry.domain.directions import Side
from registry.domain.levels import LEVELS
from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.intake.entered import CASE, SCREW, ScrewPlace, place_of, read_case, read_fields
from registry.store.queries.entering import saved_case
from registry.web.construct_fields import PERSONS, PERSONS_LIST
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.pages.entry.drafts import (
    DEFAULTS,
    Draft,
    empty_draft,
    laid_out,
    place_key,
    read_draft,
    with_second,
)
from registry.web.pages.entry.forms import LEVELS_LIST, entry_fields
from registry.web.pages.entry.looks import look_over

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from flask.typing import ResponseReturnValue

    from registry.store.queries.entering import EarlierScrew

entry_page = Blueprint(
    "entry", __name__, template_folder="templates", static_folder="static", url_prefix="/cases/new"
)
_TEMPLATE = "entry/enter.html"


@entry_page.get("")
@needs(Deed.ENTER_CASES)
def show() -> ResponseReturnValue:
    """Show the empty form."""
    return render_template(_TEMPLATE, **_values(empty_draft()))


@entry_page.post("")
@needs(Deed.ENTER_CASES)
def take() -> ResponseReturnValue:
    """Do what the button says: lay out, add a screw, look up earlier screws, save.

    Any other word, such as that of a form sent by Enter in a field, lays the construct out.
    """
    draft = read_draft(request.form)
    word, _, key = request.form.get("do", "").partition(" ")
    if word == "save":
        return _save(draft)
    if word == "earlier":
        return _look_up(draft)
    if word == "second":
        draft = with_second(draft, key)
        return render_template(_TEMPLATE, **_values(draft, focus=f"more-{key}"))
    try:
        draft = laid_out(draft)
    except BadInputError as problem:
        return page_with(problem, _TEMPLATE, **_values(draft, problem.faults))
    return render_template(_TEMPLATE, **_values(draft, focus="construct"))


@entry_page.post("/notes.json")
@needs(Deed.ENTER_CASES)
def notes() -> ResponseReturnValue:
    """Return what is to be said of the form as it stands."""
    return look_over(read_draft(request.form)).as_json()


@entry_page.get("/saved/<int:case_id>")
@needs(Deed.ENTER_CASES)
def saved(case_id: int) -> ResponseReturnValue:
    """Say what was saved, to who entered it."""
    with current_ledger().reading() as session:
        case = saved_case(session, current_viewer(), case_id)
    return render_template("entry/saved.html", case=case)


def _save(draft: Draft) -> ResponseReturnValue:
    ledger, viewer = current_ledger(), current_viewer()
    try:
        case = read_case(draft.case, draft.there, _today())
        entered = enter_case(ledger, viewer, case, new_persons=draft.confirmed, now=now())
    except (BadInputError, ConflictError) as problem:
        return page_with(problem, _TEMPLATE, **_values(draft, problem.faults))
    with ledger.reading() as session:
        is_visible = saved_case(session, viewer, entered.case_id).is_visible
    if is_visible:
        return redirect(url_for("cases.show", case_id=entered.case_id))
    return redirect(url_for("entry.saved", case_id=entered.case_id))


def _look_up(draft: Draft) -> ResponseReturnValue:
    """Offer the screws that earlier cases of the patient left."""
    found, _ = read_fields(CASE, draft.case)
    if found["patient_ref"] is None:
        fault = Fault("is empty", place_of(CASE, "patient_ref"), "earlier screws are found by it")
        problem = BadInputError(fault)
        return page_with(problem, _TEMPLATE, **_values(draft, problem.faults))
    screws = look_up_earlier(
        current_ledger(), current_viewer(), found["patient_ref"], found["operated_on"], now()
    )
    draft = replace(draft, earlier=tuple(_offered(screw) for screw in screws))
    count = f"{len(screws)} earlier screw{'' if len(screws) == 1 else 's'} of this patient"
    told = (
        f"{count} found; choose what is replaced under more, at its level and side."
        if screws
        else "No earlier screw of this patient is in the ledger, or none that you may replace."
    )
    return render_template(_TEMPLATE, **_values(draft, told=told, focus="told"))


def _offered(screw: EarlierScrew) -> tuple[str, ScrewPlace, str]:
    size = " x ".join(str(value) for value in (screw.diameter_mm, screw.length_mm) if value)
    place = ScrewPlace(screw.level, Side(screw.side), screw.number)
    words = f"{place} of {screw.operated_on}" + (f", {size} mm" if size else "")
    return str(screw.screw_id), place, words


def _values(
    draft: Draft, faults: Sequence[Fault] = (), *, told: str = "", focus: str = ""
) -> dict[str, object]:
    """Return what the page shows of a draft."""
    ledger, viewer = current_ledger(), current_viewer()
    look = look_over(draft)
    fields = entry_fields(draft, faults, look.stickers)
    names = _names(draft)
    first = next((line.field_id for line in fields.faults if line.field_id), "")
    return {
        "draft": draft,
        "fields": fields,
        "look": look,
        "told": told,
        "focus": first or focus or ("" if faults else fields.case[0].id),
        "laid": {name: draft.laid.get(name, "") for name in DEFAULTS},
        "earlier": [f"{each}|{place_key(place)}|{words}" for each, place, words in draft.earlier],
        "unknown": unknown_names(ledger, viewer, names) if names else [],
        "persons": known_names(ledger, viewer),
        "persons_list": PERSONS_LIST,
        "levels": [each.code for each in LEVELS],
        "levels_list": LEVELS_LIST,
        "is_own_only": reach(viewer, Deed.ENTER_CASES) is Reach.OWN,
    }


def _names(draft: Draft) -> list[str]:
    """Return the persons' names that can be read in a draft."""
    found, _ = read_fields(CASE, draft.case)
    names = [found[name] for name in ("surgeon", "second_surgeon")] + [*(found["assistants"] or ())]
    asked = [each for each in SCREW if each.name in PERSONS]
    for texts in (draft.defaults, *draft.there.values()):
        said = {each.name: texts.get(each.name, "") for each in asked}
        names += read_fields(asked, said)[0].values()
    return [name for name in names if name is not None]


def _today() -> date:
    return now().astimezone(ZoneInfo(current_ledger().settings.zone)).date()
