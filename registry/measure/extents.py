"""How far a screw stands outside the outer cortex, wall by wall, in the sections of its pedicle.

The screw's edge is a circle of the catalogued radius about the axis, which pierces each section
at (0, 0). Bearings are degrees in the section: 0 medial, 90 cranial, 180 lateral, 270 caudal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.problems import BadInputError, Fault
from registry.measure.cortex import between

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from registry.measure.axes import FloatArray
    from registry.measure.cortex import ClosedCurve

Curve = TypeVar("Curve")

LARGEST_AREA_RATIO = 1.7
"""A section belongs to the pedicle up to this many times the isthmus's area; ours."""
STEP_MM = 0.5
"""Curves are worked out between marked depths at most this far apart."""
LEAST_RADIUS_MM, LARGEST_RADIUS_MM = 1.0, 6.0
"""Screws of 2 to 12 mm diameter; bounds of ours, no source."""
_EDGE_POINTS = 360
_SECTOR = {
    Direction.MEDIAL: 0,
    Direction.CRANIAL: 1,
    Direction.LATERAL: 2,
    Direction.CAUDAL: 3,
}


@dataclass(frozen=True)
class WallExtent:
    """The greatest extent through one wall, and where it was found.

    Attributes
    ----------
    extent_mm : float, 0 where the screw does not stand outside
    margin_mm : float, the same distance signed: below 0, the least bone left between the screw's
        edge and the wall; None where no part of the edge has this wall nearest
    depth_mm : float, of the section, or None where margin_mm is
    bearing_deg : float, 0 to 360, of the line outwards through the wall, or None
    cortex_mm, edge_mm : (u, v) of that line's two ends in its section, or None
    curve_sd_mm : float, the fit's own standard deviation at that place of the cortex
    from_mark_deg : float, angle from there to the nearest mark, seen from the curve's middle
    residual_mm : float, root mean square distance of that section's marks from its curve
    """

    extent_mm: float
    margin_mm: float | None = None
    depth_mm: float | None = None
    bearing_deg: float | None = None
    cortex_mm: tuple[float, float] | None = None
    edge_mm: tuple[float, float] | None = None
    curve_sd_mm: float = 0.0
    from_mark_deg: float = 0.0
    residual_mm: float = 0.0


@dataclass(frozen=True)
class PedicleSections:
    """Which marked and interpolated sections belong to the pedicle.

    Attributes
    ----------
    depths_mm : the pedicle's depths, ascending, at most 0.5 mm apart between marked ones
    curves : one a depth
    isthmus_mm : depth of the least area
    isthmus_area_mm2 : that area
    widest_step_mm : the greatest distance between neighbouring marked depths (0 with one)
    """

    depths_mm: tuple[float, ...]
    curves: tuple[ClosedCurve, ...]
    isthmus_mm: float
    isthmus_area_mm2: float
    widest_step_mm: float


@dataclass(frozen=True)
class PedicleExtents:
    """A screw's extents through the walls that were measured; a wall not in it was not.

    Attributes
    ----------
    by_wall : Mapping of `Direction` to `WallExtent`
    isthmus_mm : float, depth of the isthmus, None at S1
    first_depth_mm, last_depth_mm : float, the sections that were measured
    """

    by_wall: Mapping[Direction, WallExtent]
    isthmus_mm: float | None
    first_depth_mm: float
    last_depth_mm: float

    @property
    def greatest(self) -> tuple[Direction, WallExtent] | None:
        """The wall with the greatest extent, or None where no wall is breached."""
        wall = max(self.by_wall, key=lambda each: self.by_wall[each].extent_mm)
        found = self.by_wall[wall]
        return (wall, found) if found.extent_mm > 0.0 else None


def wall_of_bearing(bearing_deg: float) -> Direction:
    """Return the wall whose 90 degree sector holds a bearing.

    Examples
    --------
    >>> [wall_of_bearing(degrees).value for degrees in (350, 45, 180, 300)]
    ['medial', 'cranial', 'lateral', 'caudal']
    """
    order = (Direction.MEDIAL, Direction.CRANIAL, Direction.LATERAL, Direction.CAUDAL)
    return order[int(((bearing_deg + 45.0) % 360.0) // 90.0) % 4]


def bearing_of(vectors: FloatArray) -> FloatArray:
    """Return the bearings, 0 to 360 degrees, of vectors (u, v), shape (..., 2)."""
    result: FloatArray = np.rad2deg(np.arctan2(vectors[..., 1], vectors[..., 0])) % 360.0
    return result


@cache
def _unit_circle() -> FloatArray:
    angles = np.linspace(0.0, 2.0 * np.pi, _EDGE_POINTS, endpoint=False)
    return np.column_stack([np.cos(angles), np.sin(angles)])


def screw_edge(radius_mm: float) -> FloatArray:
    """Return 360 points of the circle about the axis, shape (360, 2), u and v in mm.

    Raises
    ------
    BadInputError : the diameter is not 2 to 12 mm
    """
    if not LEAST_RADIUS_MM <= radius_mm <= LARGEST_RADIUS_MM:
        raise BadInputError(
            Fault(
                f"a screw of {2 * radius_mm:g} mm diameter",
                "diameter",
                f"give {2 * LEAST_RADIUS_MM:g} to {2 * LARGEST_RADIUS_MM:g} mm",
            )
        )
    return radius_mm * _unit_circle()


def filled_between(
    by_depth: Mapping[float, Curve], make: Callable[[Curve, Curve, float], Curve]
) -> list[tuple[float, Curve]]:
    """Return marked and interpolated curves in order of depth, at most 0.5 mm apart."""
    depths = sorted(by_depth)
    filled: list[tuple[float, Curve]] = []
    for low, high in pairwise(depths):
        steps = max(1, math.ceil((high - low) / STEP_MM - 1e-9))
        filled.append((low, by_depth[low]))
        filled.extend(
            (
                low + (high - low) * step / steps,
                make(by_depth[low], by_depth[high], step / steps),
            )
            for step in range(1, steps)
        )
    filled.append((depths[-1], by_depth[depths[-1]]))
    return filled


def pedicle_sections(curves_by_depth: Mapping[float, ClosedCurve]) -> PedicleSections:
    """Return the sections that belong to the pedicle.

    The isthmus is the section with the least bone; the pedicle reaches from it both ways as long
    as the area is at most 1.7 times the isthmus's. Between marked depths curves are interpolated
    at most 0.5 mm apart.

    Parameters
    ----------
    curves_by_depth : depth from the entry in mm to its curve; only sections in which the bone
        closes in itself

    Raises
    ------
    BadInputError : no section was marked
    """
    if not curves_by_depth:
        raise BadInputError(
            Fault("no section's cortex is marked", "pedicle", "mark the section at the isthmus")
        )
    filled = filled_between(curves_by_depth, between)
    areas = [curve.area_mm2 for _, curve in filled]
    isthmus = int(np.argmin(areas))
    largest = LARGEST_AREA_RATIO * areas[isthmus]
    first = last = isthmus
    while first > 0 and areas[first - 1] <= largest:
        first -= 1
    while last < len(filled) - 1 and areas[last + 1] <= largest:
        last += 1
    kept = filled[first : last + 1]
    marked = sorted(curves_by_depth)
    return PedicleSections(
        depths_mm=tuple(depth for depth, _ in kept),
        curves=tuple(curve for _, curve in kept),
        isthmus_mm=filled[isthmus][0],
        isthmus_area_mm2=areas[isthmus],
        widest_step_mm=max((high - low for low, high in pairwise(marked)), default=0.0),
    )


def section_extents(
    radius_mm: float, curve: ClosedCurve, depth_mm: float
) -> dict[Direction, WallExtent]:
    """Return the extent through each wall in one section.

    Each point of the screw's edge has a nearest point of the curve; the line outwards between
    them names the wall by its bearing, and its length is the extent (for a point inside: the
    bone left, as a negative margin). A wall's extent is the greatest of its points'.
    """
    edge = screw_edge(radius_mm)
    nearest, numbers = curve.nearest_points(edge)
    inside = curve.contains(edge)
    line = np.where(inside[:, None], nearest - edge, edge - nearest)
    margin = np.where(inside, -1.0, 1.0) * np.hypot(*line.T)
    bearing = bearing_of(line)
    sector = (((bearing + 45.0) % 360.0) // 90.0).astype(np.int64) % 4
    found: dict[Direction, WallExtent] = {}
    for wall in PEDICLE_WALLS:
        own = np.flatnonzero(sector == _SECTOR[wall])
        if len(own) == 0:
            found[wall] = WallExtent(0.0)
            continue
        best = int(own[margin[own].argmax()])
        number = int(numbers[best])
        found[wall] = WallExtent(
            extent_mm=max(0.0, float(margin[best])),
            margin_mm=float(margin[best]),
            depth_mm=depth_mm,
            bearing_deg=float(bearing[best]),
            cortex_mm=pair(nearest[best]),
            edge_mm=pair(edge[best]),
            curve_sd_mm=float(curve.sd_mm[number]),
            from_mark_deg=float(curve.from_mark_deg[number]),
            residual_mm=curve.residual_mm,
        )
    return found


def pair(values: FloatArray) -> tuple[float, float]:
    """Return an array of two numbers as two floats."""
    return float(values[0]), float(values[1])


def greatest_of(found: Sequence[WallExtent]) -> WallExtent:
    """Return the extent with the greatest margin: the farthest outside, else the nearest to it."""
    known = [extent for extent in found if extent.margin_mm is not None]
    return max(known, key=lambda extent: extent.margin_mm or 0.0) if known else WallExtent(0.0)


def pedicle_extents(
    radius_mm: float,
    curves_by_depth: Mapping[float, ClosedCurve],
    length_mm: float | None = None,
) -> PedicleExtents:
    """Return a screw's greatest extent through each wall of its pedicle.

    Parameters
    ----------
    radius_mm : float, half the catalogued diameter
    curves_by_depth : depth from the entry in mm to its curve in section coordinates
    length_mm : float, from entry to tip: sections before the entry and beyond the tip hold no
        screw and add no extent; None takes every section

    Returns
    -------
    PedicleExtents : all four walls

    Raises
    ------
    BadInputError : no section is marked, the screw reaches none of the pedicle's, or the radius
        is not a screw's
    """
    pedicle = pedicle_sections(curves_by_depth)
    low, high = (-math.inf, math.inf) if length_mm is None else (-1e-9, length_mm + 1e-9)
    reached = [
        (depth, curve)
        for depth, curve in zip(pedicle.depths_mm, pedicle.curves, strict=True)
        if low <= depth <= high
    ]
    if not reached:
        raise BadInputError(
            Fault(
                "the screw reaches none of the pedicle's marked sections",
                "pedicle",
                "mark sections between entry and tip",
            )
        )
    found = [section_extents(radius_mm, curve, depth) for depth, curve in reached]
    return PedicleExtents(
        by_wall={wall: greatest_of([each[wall] for each in found]) for wall in PEDICLE_WALLS},
        isthmus_mm=pedicle.isthmus_mm,
        first_depth_mm=reached[0][0],
        last_depth_mm=reached[-1][0],
    )
