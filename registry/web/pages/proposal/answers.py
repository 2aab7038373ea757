"""What is proposed of a screw, as the desk's script takes it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from registry.actions.proposal_numbers import proposed_numbers

if TYPE_CHECKING:
    from decimal import Decimal

    from registry.actions.proposed import Proposed
    from registry.domain.settings import Settings
    from registry.measure.axes import Midplane
    from registry.measure.proposals.records import ProposedScrew

_REACH_MM = 30.0
"""How far before and behind its point a midplane's two places are given."""


def axis_json(found: Proposed) -> dict[str, Any]:
    """Return ends, diameter and midplane alone: nothing that says whether a wall was breached."""
    screw = found.screw
    if screw is None:
        return {"is_found": False, "why_not": found.why_not}
    return {
        "is_found": True,
        "entry_mm": _places(screw.axis.entry_mm),
        "tip_mm": _places(screw.axis.tip_mm),
        "length_mm": round(screw.axis.length_mm, 2),
        "diameter_mm": round(screw.diameter_mm, 1),
        "is_diameter_estimated": screw.is_diameter_estimated,
        "midplane_mm": _two_places(screw.midplane),
    }


def measured_json(screw: ProposedScrew, settings: Settings) -> dict[str, Any]:
    """Return what was measured, each extent with where it was found."""
    numbers = proposed_numbers(screw, settings)
    extents = {}
    for wall, found in screw.extents.items():
        extents[wall.value] = {
            "stored_mm": _number(numbers.extents_mm[wall]),
            "sd_mm": _number(numbers.sd_mm[wall]),
            "depth_mm": found.depth_mm,
            "bearing_deg": found.bearing_deg,
            "line_mm": [found.cortex_mm, found.edge_mm] if found.cortex_mm else None,
        }
    return {
        "extents": extents,
        "not_measured": {wall.value: why for wall, why in numbers.not_measured.items()},
        "grade": numbers.grade,
        "convergence_deg": _number(numbers.convergence_deg),
        "sagittal_deg": _number(numbers.sagittal_deg),
        "outlines": [
            {"depth_mm": depth, "points_mm": places}
            for depth, places in sorted(screw.outlines.items())
        ],
    }


def _places(values: tuple[float, ...]) -> list[float]:
    return [round(value, 2) for value in values]


def _number(value: Decimal | None) -> float | None:
    return None if value is None else float(value)


def _two_places(plane: Midplane | None) -> list[list[float]] | None:
    """Return a place before and one behind the plane's own, as the desk marks a midplane."""
    if plane is None:
        return None
    (x, y, z), (across, along, _) = plane.point_mm, plane.normal
    size = math.hypot(across, along)
    # The level line in the plane, towards the patient's back.
    level = (-along / size, across / size) if size else (0.0, 0.0)
    if level[1] < 0:
        level = (-level[0], -level[1])
    if level[1] < math.cos(math.radians(45)):
        return None
    return [_places((x + way * level[0], y + way * level[1], z)) for way in (-_REACH_MM, _REACH_MM)]
