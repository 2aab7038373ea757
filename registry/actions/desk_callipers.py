"""Which end of a drawn line is the cortex and which the screw's edge."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    from registry.actions.desk_marks import Calliper, Pair

AT_EDGE_MM = 1.5
"""An end this close to the screw's circle can stand for its edge; ours, no source."""


def ordered_ends(drawn: Calliper, radius_mm: float) -> tuple[Pair, Pair]:
    """Return a line's cortex and screw edge, whichever end was drawn first.

    The end nearer to the circle of `radius_mm` about the axis is the edge. Where both lie at it,
    a short breach, the outer of two on the same half is the edge; on opposite halves nothing but
    the drawing tells, and it stands as drawn.
    """
    first, second = drawn.cortex_mm, drawn.edge_mm
    first_off, second_off = (abs(math.hypot(*end) - radius_mm) for end in (first, second))
    if min(first_off, second_off) > AT_EDGE_MM:
        raise BadInputError(
            Fault(
                "the line does not end at the screw's edge",
                f"calliper at {drawn.depth_mm:.1f} mm",
                "draw one end on the circle, on its side away from the cortex's mark",
            )
        )
    if max(first_off, second_off) > AT_EDGE_MM:
        is_turned = first_off < second_off
    else:
        is_same_half = first[0] * second[0] + first[1] * second[1] > 0.0
        is_turned = is_same_half and math.hypot(*first) > math.hypot(*second)
    return (second, first) if is_turned else (first, second)
