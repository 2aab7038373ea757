"""What the desk asks while a screw is read: pictures, ends, planes, angles, extents.

Nothing of it is kept. It is read by somebody who must not know whose screw it is.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from flask import Blueprint, Response, request

from registry.actions.desk_angles import angles_of
from registry.actions.desk_endplate import found_endplate
from registry.actions.desk_measure import measure
from registry.actions.desk_pictures import (
    across_of,
    along_picture,
    metal_picture,
    plane_of,
    plane_picture,
    section_pictures,
    suggest_axis,
    upright_picture,
)
from registry.actions.desk_screw import open_screw
from registry.domain.access import Deed, Reach
from registry.web.context import current_ledger, current_viewer, now
from registry.web.guard import needs
from registry.web.pages.reading.forms import (
    angles_json,
    marks_and_way_of,
    measured_json,
    placed_of,
    placing_of,
    point_of,
    position_of,
)
from registry.web.pages.reading.taken_over import refuse_another_s_page

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from registry.actions.desk_pictures import Pictures

reading_shown = Blueprint("reading_shown", __name__, url_prefix="/reading")
reading_shown.before_request(refuse_another_s_page)

_READERS = needs(Deed.READ_SCREWS, at_least=Reach.ALL)


@reading_shown.get("/<int:assignment_id>/metal")
@_READERS
def metal(assignment_id: int) -> ResponseReturnValue:
    """Send the scan's metal as seen from the front, with the place behind each pixel."""
    return _sent(metal_picture(current_ledger(), current_viewer(), assignment_id, now()))


@reading_shown.get("/<int:assignment_id>/plane/<name>")
@_READERS
def plane(assignment_id: int, name: str) -> ResponseReturnValue:
    """Send an axial, coronal or sagittal plane through `position`, else the scan's middle."""
    return _sent(
        plane_picture(
            current_ledger(),
            current_viewer(),
            assignment_id,
            plane_of(name),
            position_of(request.args),
            now(),
        )
    )


@reading_shown.get("/<int:assignment_id>/sections")
@_READERS
def sections(assignment_id: int) -> ResponseReturnValue:
    """Send every section from `entry` to `tip`."""
    placing = placing_of(request.args)
    return _sent(
        section_pictures(current_ledger(), current_viewer(), assignment_id, placing, now())
    )


@reading_shown.get("/<int:assignment_id>/along/<across>")
@_READERS
def along(assignment_id: int, across: str) -> ResponseReturnValue:
    """Send the plane along the axis with medial or cranial on top."""
    placing = placing_of(request.args)
    return _sent(
        along_picture(
            current_ledger(),
            current_viewer(),
            assignment_id,
            placing,
            across_of(across),
            now(),
        )
    )


@reading_shown.post("/<int:assignment_id>/axis")
@_READERS
def axis(assignment_id: int) -> ResponseReturnValue:
    """Answer with the ends of the screw near a point."""
    point = point_of(request.get_json())
    found = suggest_axis(current_ledger(), current_viewer(), assignment_id, point, now())
    return {
        "entry_mm": [round(value, 2) for value in found.entry_mm],
        "tip_mm": [round(value, 2) for value in found.tip_mm],
        "length_mm": round(found.length_mm, 2),
        "shank_diameter_mm": round(found.shank_diameter_mm, 1),
        "side_doubt": found.side_doubt,
    }


@reading_shown.get("/<int:assignment_id>/upright")
@_READERS
def upright(assignment_id: int) -> ResponseReturnValue:
    """Send the vertebra's midplane about the screw."""
    placing = placing_of(request.args)
    return _sent(upright_picture(current_ledger(), current_viewer(), assignment_id, placing, now()))


@reading_shown.post("/<int:assignment_id>/endplate")
@_READERS
def endplate(assignment_id: int) -> ResponseReturnValue:
    """Answer with the upper endplate's line as it is seen in the midplane."""
    placing = placed_of(request.get_json())
    found = found_endplate(current_ledger(), current_viewer(), assignment_id, placing, now())
    places = found and [[round(value, 2) for value in end] for end in found]
    return {"is_found": found is not None, "endplate_mm": places}


@reading_shown.post("/<int:assignment_id>/angles")
@_READERS
def angles(assignment_id: int) -> ResponseReturnValue:
    """Answer with a screw's angles."""
    open_screw(current_ledger(), current_viewer(), assignment_id, now())
    return angles_json(angles_of(placed_of(request.get_json())))


@reading_shown.post("/<int:assignment_id>/measure")
@_READERS
def measured(assignment_id: int) -> ResponseReturnValue:
    """Answer with what marks come to."""
    marks, way = marks_and_way_of(request.get_json())
    found = measure(current_ledger(), current_viewer(), assignment_id, marks, way, now())
    return measured_json(found)


def _sent(pictures: Pictures) -> Response:
    """Return values as they are, little-endian, with their layout in a header."""
    answer = Response(pictures.to_bytes(), mimetype="application/octet-stream")
    answer.headers["Picture-Layout"] = json.dumps(pictures.layout, separators=(",", ":"))
    return answer
