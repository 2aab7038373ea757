"""Show a reading as it was saved, with its pictures; nothing here changes it.

It names no reader, surgeon, patient or case, so that a reader sees their own as blind as they read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import Blueprint, Response, render_template

from registry.actions import evidence as action
from registry.domain.access import Deed, Reach
from registry.domain.directions import Direction
from registry.domain.scales import SCALES, grade
from registry.web.context import current_ledger, current_viewer, now
from registry.web.guard import needs
from registry.web.headers import PICTURE_POLICY
from registry.web.looking import note_look

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from registry.actions.evidence import Reopened

evidence_page = Blueprint(
    "evidence",
    __name__,
    template_folder="templates",
    static_folder="static",
    url_prefix="/readings",
)

_READERS = needs(Deed.READ_SCREWS, at_least=Reach.ALL)


@evidence_page.get("/<int:reading_id>")
@_READERS
def show(reading_id: int) -> ResponseReturnValue:
    """Show a reading as it was saved."""
    found = action.reopened(current_ledger(), current_viewer(), reading_id)
    _note(found)
    return render_template("evidence/reopened.html", **_shown(found))


@evidence_page.get("/<int:reading_id>/decided")
@_READERS
def decided(reading_id: int) -> ResponseReturnValue:
    """Show who decided the two readings between which they did, and note that they have looked."""
    own, others = action.decided(current_ledger(), current_viewer(), reading_id, now())
    return render_template(
        "evidence/decided.html", own=_shown(own), others=[_shown(each) for each in others]
    )


@evidence_page.get("/<int:reading_id>/picture.png")
@_READERS
def picture(reading_id: int) -> ResponseReturnValue:
    """Send the picture that was kept with a reading, else one drawn now from its marks."""
    return _png(reading_id, action.picture(current_ledger(), current_viewer(), reading_id))


@evidence_page.get("/<int:reading_id>/sections/<int:number>.png")
@_READERS
def section(reading_id: int, number: int) -> ResponseReturnValue:
    """Send one of a reading's sections."""
    content = action.section_of(current_ledger(), current_viewer(), reading_id, number)
    return _png(reading_id, content)


@evidence_page.get("/<int:reading_id>/along/<across>.png")
@_READERS
def along(reading_id: int, across: str) -> ResponseReturnValue:
    """Send a reading's plane along the axis, medial or cranial on top."""
    content = action.along_of(current_ledger(), current_viewer(), reading_id, across)
    return _png(reading_id, content)


@evidence_page.get("/<int:reading_id>/upright.png")
@_READERS
def upright(reading_id: int) -> ResponseReturnValue:
    """Send a reading's midplane with the upper endplate that its sagittal angle is against."""
    return _png(reading_id, action.upright_of(current_ledger(), current_viewer(), reading_id))


def _png(reading_id: int, content: bytes) -> Response:
    # A picture asked for by its address alone tells as much as the page that holds it.
    case_id = action.case_of_another_s(current_ledger(), current_viewer(), reading_id)
    if case_id is not None:
        note_look(case_id)
    answer = Response(content, mimetype="image/png")
    answer.headers["Content-Security-Policy"] = PICTURE_POLICY
    return answer


def _note(found: Reopened) -> None:
    """Note the look of who sees another's reading because they may look at its case."""
    if not found.reading.is_own:
        note_look(found.reading.case_id)


def _shown(found: Reopened) -> dict[str, Any]:
    reading, scale = found.reading, SCALES[current_ledger().settings.scale]
    letter = None
    if reading.not_assessable_reason is None:
        letter = grade(reading.extents_mm, reading.level, current_ledger().settings.scale)
    kept = {} if found.document is None else found.document.extents
    return {
        "found": found,
        "name": screw_name(reading.level, reading.side, reading.number),
        "grade": letter,
        "scale": scale,
        "has_midplane": any(what.startswith("midplane") for what, _ in found.placed_mm),
        "rows": [
            (wall, mm, reading.sd_mm.get(wall), kept.get(wall))
            for wall in Direction
            if (mm := reading.extents_mm.get(wall)) is not None
        ],
    }


def screw_name(level: str, side: str, number: int) -> str:
    """Return such as `L4 left, screw 2`."""
    name = f"{level} {'left' if side == 'L' else 'right'}"
    return f"{name}, screw {number}" if number > 1 else name
