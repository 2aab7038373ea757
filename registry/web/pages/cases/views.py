"""Cases: a list of those the viewer may look at, and each as its construct."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from flask import Blueprint, render_template, request

from registry.domain.access import Deed, Reach, reach
from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.levels import level
from registry.domain.scales import SCALES, grade, scale_note
from registry.store.queries.constructs import case_in_full, cases_in_full
from registry.store.queries.correcting import correctable_numbers
from registry.store.queries.outcomes import outcomes_of_case
from registry.web.context import current_ledger, current_viewer
from registry.web.guard import needs
from registry.web.looking import note_look
from registry.web.paging import page_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from flask.typing import ResponseReturnValue

    from registry.store.queries.constructs import CaseInFull, Found, ScrewInCase

cases_page = Blueprint(
    "cases", __name__, template_folder="templates", static_folder="static", url_prefix="/cases"
)


@dataclass(frozen=True)
class Cell:
    """What a place of the construct holds.

    Attributes
    ----------
    screw : as entered
    grade : its letter, or '' without one
    words : what was found, in words
    """

    screw: ScrewInCase
    grade: str
    words: str


@dataclass(frozen=True)
class LevelRow:
    """A level of the construct, with the screws on either side."""

    level: str
    left: Sequence[Cell]
    right: Sequence[Cell]


@cases_page.get("/")
@needs(Deed.SEE_CASES)
def listed() -> ResponseReturnValue:
    """List the cases, the latest first; `?notes=yes` keeps those that a rule of the trade notes."""
    ledger = current_ledger()
    with ledger.reading() as session:
        found = cases_in_full(session, current_viewer(), ledger.settings.audit_window_days)
    noted = sum(bool(case.warnings) for case in found)
    only_noted = request.args.get("notes") == "yes"
    if only_noted:
        found = [case for case in found if case.warnings]
    page = page_of(found, request.args.get("page"))
    return render_template("cases/list.html", page=page, noted=noted, only_noted=only_noted)


@cases_page.get("/<int:case_id>")
@needs(Deed.SEE_CASES)
def show(case_id: int) -> ResponseReturnValue:
    """Show one case: levels by sides, cranial on top."""
    ledger, viewer = current_ledger(), current_viewer()
    with ledger.reading() as session:
        case = case_in_full(session, viewer, ledger.settings.audit_window_days, case_id)
        outcomes = outcomes_of_case(session, viewer, case_id)
        may_correct = case_id in correctable_numbers(session, viewer)
    note_look(case_id)
    scale = ledger.settings.scale
    levels = {screw.level for screw in case.screws}
    notes = sorted({note for code in levels if (note := scale_note(code, scale))})
    return render_template(
        "cases/case.html",
        case=case,
        construct=construct(case, scale),
        scale=SCALES[scale],
        scale_notes=notes,
        outcomes=outcomes,
        outcome_window=ledger.settings.outcome_window_days,
        may_correct=may_correct,
        may_correct_scans=may_correct and reach(viewer, Deed.LOAD_SCANS) is Reach.ALL,
        may_record=case.withdrawn_at is None,
        reads=reach(viewer, Deed.READ_SCREWS) is Reach.ALL,
        news="Saved." if request.args.get("saved") else "",
    )


def construct(case: CaseInFull, scale: str) -> list[LevelRow]:
    """Return a case's levels from cranial to caudal, left and right."""
    cells: dict[str, dict[str, list[Cell]]] = {}
    for screw in case.screws:
        sides = cells.setdefault(screw.level, {"L": [], "R": []})
        letter = ""
        if screw.found is not None and screw.found.is_assessable:
            letter = grade(screw.found.extents_mm, screw.level, scale) or ""
        sides[screw.side].append(Cell(screw, letter, _words(screw.found)))
    ordered = sorted(cells, key=lambda code: level(code).order)
    return [LevelRow(code, cells[code]["L"], cells[code]["R"]) for code in ordered]


def _words(found: Found | None) -> str:
    if found is None:
        return "not read"
    if not found.is_assessable:
        return "not assessable"
    beyond = [
        f"{direction.replace('_', ' ')} {extent} mm"
        for direction in Direction
        if (extent := found.extents_mm.get(direction)) is not None and extent > 0
    ]
    if beyond:
        return ", ".join(beyond)
    measured = all(found.extents_mm.get(wall) is not None for wall in PEDICLE_WALLS)
    return "contained" if measured else "nothing found in the walls that were measured"
