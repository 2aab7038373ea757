"""Draw where a drawn screw truly lies, as a reading of it would be drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.desk_marks import Marks
from registry.actions.desk_screw import OpenedScrew, Placing
from registry.actions.evidence_document import Seen, document_of
from registry.actions.evidence_drawing import evidence_picture
from registry.actions.known_truth import beside_truth, truth_words
from registry.domain.access import Deed, Reach, require
from registry.domain.directions import Side
from registry.domain.levels import level
from registry.domain.problems import NotFoundError
from registry.measure.axes import ScrewAxis, point
from registry.store.queries.known_truth import known_axis

if TYPE_CHECKING:
    from registry.domain.access import Viewer
    from registry.store.home import Ledger


def truth_picture(ledger: Ledger, viewer: Viewer, reading_id: int) -> bytes:
    """Return the picture of a drawn screw's true axis, as PNG, half way along it.

    No bone is marked on it: the truth is known of the screw and of the walls that it crosses.

    Raises
    ------
    NotFoundError : it is no reading that the viewer may know to be of a drawn screw
    """
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    beside = beside_truth(ledger, viewer, reading_id)
    with ledger.reading() as session:
        found = known_axis(session, viewer, reading_id)
    if found is None:
        raise NotFoundError("there is no truth to be shown of this reading")
    reading = beside.reading
    screw = OpenedScrew(
        level(reading.level),
        Side(reading.side),
        float(found.diameter_mm),
        ledger.images.open(found.image_digest),
        reading.number,
    )
    marks = Marks(Placing(ScrewAxis(point(found.entry_mm), point(found.tip_mm))))
    seen = Seen(None, frozenset(), "as it was drawn", truth_words(beside.truth_mm))
    return evidence_picture(screw.image, marks, document_of(screw, marks, None, seen))
