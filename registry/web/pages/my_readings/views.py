"""List a reader's own readings, and let them make one again; nothing leads to the case."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from flask import Blueprint, redirect, render_template, request, url_for

from registry.actions.evidence import with_pictures
from registry.actions.read_again import my_readings, read_again
from registry.domain.access import Deed, Reach
from registry.domain.extent_words import found_words
from registry.domain.problems import BadInputError, ConflictError
from registry.domain.readings import CountedReading, proposal_words
from registry.domain.scales import SCALES, grade
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.paging import page_of

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from registry.store.queries.readings import OwnReading

my_readings_page = Blueprint(
    "my_readings", __name__, template_folder="templates", url_prefix="/my-readings"
)

_PAGE = "my_readings/list.html"
_READERS = needs(Deed.READ_SCREWS, at_least=Reach.ALL)
_SEE_OTHER = 303


@dataclass(frozen=True)
class Line:
    """A reading in words: its grade, what was found, how it stands to the proposal."""

    reading: OwnReading
    grade: str
    proposal: str
    found: str
    has_picture: bool


@my_readings_page.get("/")
@_READERS
def listed() -> ResponseReturnValue:
    """List what the viewer has read, the latest first."""
    return render_template(_PAGE, **_page())


@my_readings_page.post("/<int:reading_id>/again")
@_READERS
def again(reading_id: int) -> ResponseReturnValue:
    """Ask for one to be made again by its own reader, and go on to the desk."""
    reason = request.form.get("reason", "")
    try:
        made = read_again(current_ledger(), current_viewer(), reading_id, reason, now())
    except (BadInputError, ConflictError) as problem:
        return page_with(problem, _PAGE, **_page(), kept={reading_id: reason})
    return redirect(url_for("reading.show", assignment_id=made), _SEE_OTHER)


def _page() -> dict[str, Any]:
    ledger, viewer = current_ledger(), current_viewer()
    scale = ledger.settings.scale
    page = page_of(my_readings(ledger, viewer), request.args.get("page"))
    pictured = with_pictures(ledger, viewer, [reading.reading_id for reading in page.items])
    return {
        "page": page,
        "lines": [
            Line(
                reading,
                _grade(reading, scale),
                proposal_words(reading.proposal_seen),
                found_words(reading.extents_mm, {}, is_assessable=reading.is_assessable),
                reading.reading_id in pictured,
            )
            for reading in page.items
        ],
        "scale": SCALES[scale].title,
        "blind_counts": ledger.settings.counted_reading is CountedReading.BLIND,
    }


def _grade(reading: OwnReading, scale: str) -> str:
    if not reading.is_assessable:
        return "not assessable"
    return grade(reading.extents_mm, reading.level, scale) or "none"
