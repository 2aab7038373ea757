"""Extents through walls that close no ring: S1's canal and foramen, and the walls of a body."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from registry.domain.directions import Direction
from registry.domain.problems import BadInputError, Fault
from registry.measure.extents import (
    PedicleExtents,
    WallExtent,
    bearing_of,
    filled_between,
    greatest_of,
    pair,
    screw_edge,
)
from registry.measure.walls import fit_walls, wall_between

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike

    from registry.measure.axes import FloatArray
    from registry.measure.walls import OpenCurve, Outwards

S1_DEPTH_MM = 14.0
"""How far from the entry the walls of S1 are measured."""
CARRIED_ON_SD = 0.15
"""Standard deviation gained with every mm that a wall is carried beyond its marks; ours."""
_SLACK_MM = 1e-9

_S1_OUTWARDS: dict[Direction, Outwards] = {
    Direction.MEDIAL: (0, 1),
    Direction.CAUDAL: (1, -1),
}


def wall_extent(
    radius_mm: float, lines_by_depth: Mapping[float, OpenCurve], last_mm: float = math.inf
) -> WallExtent:
    """Return a screw's greatest extent through one wall given as open lines.

    Parameters
    ----------
    radius_mm : float
    lines_by_depth : depth from the entry in mm to its line in section coordinates
    last_mm : float, sections deeper than this, or before the entry, are left out

    Raises
    ------
    BadInputError : no section is marked in that range
    """
    edge = screw_edge(radius_mm)
    filled = filled_between(lines_by_depth, wall_between) if lines_by_depth else []
    within = [(depth, line) for depth, line in filled if -_SLACK_MM <= depth <= last_mm + _SLACK_MM]
    if not within:
        raise BadInputError(
            Fault(
                "no section's wall is marked where the screw is",
                "wall",
                f"mark sections from 0 to {min(last_mm, 150.0):.0f} mm from the entry",
            )
        )
    return greatest_of([_beyond_line(edge, line, depth) for depth, line in within])


def _beyond_line(points: FloatArray, line: OpenCurve, depth_mm: float) -> WallExtent:
    margin = line.stands_out_mm(points)
    best = int(margin.argmax())
    nearest = line.nearest_points(points[best : best + 1])[0]
    outwards = (points[best] - nearest) * (1.0 if margin[best] > 0.0 else -1.0)
    return WallExtent(
        extent_mm=max(0.0, float(margin[best])),
        margin_mm=float(margin[best]),
        depth_mm=depth_mm,
        bearing_deg=float(bearing_of(outwards)),
        cortex_mm=pair(nearest),
        edge_mm=pair(points[best]),
        curve_sd_mm=CARRIED_ON_SD * line.past_marks_mm(nearest),
        residual_mm=line.residual_mm,
    )


def s1_extents(
    radius_mm: float,
    medial_marks_by_depth: Mapping[float, ArrayLike],
    caudal_marks_by_depth: Mapping[float, ArrayLike],
) -> PedicleExtents:
    """Return the extents through the medial and caudal walls of S1, where no ring closes.

    Measured over the first 14 mm from the entry. A wall without marks is left out, as not
    measured.

    Parameters
    ----------
    radius_mm : float
    medial_marks_by_depth : depth in mm to (n, 2) marks of the canal's wall, at least 3
    caudal_marks_by_depth : depth in mm to (n, 2) marks of the foramen's wall, at least 3

    Raises
    ------
    BadInputError : no wall is marked in the first 14 mm, or marks that no line passes near
    """
    marks = {Direction.MEDIAL: medial_marks_by_depth, Direction.CAUDAL: caudal_marks_by_depth}
    by_wall = {
        wall: wall_extent(
            radius_mm, fit_walls(by_depth, _S1_OUTWARDS[wall], f"{wall} wall"), S1_DEPTH_MM
        )
        for wall, by_depth in marks.items()
        if by_depth
    }
    if not by_wall:
        raise BadInputError(
            Fault("neither wall of S1 is marked", "S1", "mark the medial and the caudal wall")
        )
    depths = [depth for by_depth in marks.values() for depth in by_depth]
    return PedicleExtents(
        by_wall=by_wall,
        isthmus_mm=None,
        first_depth_mm=max(0.0, min(depths)),
        last_depth_mm=min(S1_DEPTH_MM, max(depths)),
    )
