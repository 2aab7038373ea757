"""The upper endplate as the program finds it, once the midplane stands; its reader moves it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.desk_angles import NO_MIDPLANE
from registry.actions.desk_screw import open_screw
from registry.domain.problems import BadInputError, Fault
from registry.measure.proposals.endplate_line import endplate_line

if TYPE_CHECKING:
    from datetime import datetime

    from registry.actions.desk_screw import Placing
    from registry.domain.access import Viewer
    from registry.measure.axes import Point
    from registry.store.home import Ledger

USUAL_RADIUS_MM = 3.0
"""Of a shank whose diameter nobody knows; how much its metal hides hangs on it and nothing else."""


def found_endplate(
    ledger: Ledger, viewer: Viewer, assignment_id: int, placing: Placing, now: datetime
) -> tuple[Point, Point] | None:
    """Return the front and back end of the upper endplate in the midplane, None if it is not seen.

    Raises
    ------
    BadInputError : without a midplane
    NotFoundError : the screw is not the viewer's to read
    """
    screw = open_screw(ledger, viewer, assignment_id, now)
    if placing.midplane is None:
        raise BadInputError(Fault(NO_MIDPLANE, "upper endplate", "set the midplane first"))
    return endplate_line(
        screw.image.voxels,
        screw.image.affine,
        placing.axis,
        screw.side,
        placing.midplane,
        USUAL_RADIUS_MM if screw.diameter_mm is None else screw.diameter_mm / 2.0,
    )
