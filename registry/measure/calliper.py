"""An extent measured by a straight line on one section."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.domain.problems import BadInputError, Fault
from registry.measure.extents import wall_of_bearing

if TYPE_CHECKING:
    from registry.domain.directions import Direction

SHORTEST_LINE_MM = 0.05
LONGEST_LINE_MM = 30.0
"""Bounds of ours, no source: below, a click in one place; above, a slip."""


@dataclass(frozen=True)
class CalliperLine:
    """A line from the cortex to the screw's far edge.

    Attributes
    ----------
    length_mm : float
    bearing_deg : float, 0 medial, 90 cranial, 180 lateral, 270 caudal
    wall : Direction, the wall whose 90 degree sector holds the bearing
    """

    length_mm: float
    bearing_deg: float
    wall: Direction


def calliper_line(cortex_mm: tuple[float, float], far_edge_mm: tuple[float, float]) -> CalliperLine:
    """Return what a line drawn on a section measures.

    Parameters
    ----------
    cortex_mm : (u, v), section coordinates, where the line leaves the outer cortex
    far_edge_mm : (u, v), the screw's edge outside

    Raises
    ------
    BadInputError : the line is shorter than 0.05 or longer than 30 mm

    Examples
    --------
    >>> line = calliper_line((1.0, 0.0), (3.5, 0.0))
    >>> line.length_mm, line.wall.value
    (2.5, 'medial')
    """
    across, up = far_edge_mm[0] - cortex_mm[0], far_edge_mm[1] - cortex_mm[1]
    length = math.hypot(across, up)
    if not SHORTEST_LINE_MM <= length <= LONGEST_LINE_MM:
        raise BadInputError(
            Fault(
                f"the line is {length:.2f} mm long",
                "calliper",
                "draw it from the cortex to the screw's far edge; a wall that is not breached "
                "is 0 without a line",
            )
        )
    bearing = math.degrees(math.atan2(up, across)) % 360.0
    return CalliperLine(length, bearing, wall_of_bearing(bearing))
