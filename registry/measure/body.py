"""How far a screw stands outside the vertebral body: in front, at its side, through an endplate."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np

from registry.measure.axes import unit
from registry.measure.extents import WallExtent
from registry.measure.wall_extents import wall_extent
from registry.measure.walls import fit_wall, fit_walls

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike

    from registry.measure.axes import FloatArray, ScrewAxis

FORWARDS_DEG = 45.0
"""Cortex faces forwards when its outward normal is within this of straight ahead; ours."""
STRAIGHT_AHEAD = (0.0, -1.0, 0.0)


def anterior_extent(
    axis: ScrewAxis,
    across: ArrayLike,
    marks_mm: ArrayLike,
    straight_ahead: ArrayLike = STRAIGHT_AHEAD,
) -> WallExtent:
    """Return how far the screw's tip stands in front of the body.

    In a plane that holds the axis a smooth line is fitted to the marks of the front cortex. The
    extent is the perpendicular distance of the tip's middle beyond it: a shank tapers to its tip,
    so a flat end of its full diameter would add what is not there. It is 0 where the tip lies
    behind the line, and where the axis leaves through cortex that does not face forwards.

    Parameters
    ----------
    axis : ScrewAxis
    across : (3,), the frame's `medial` or `cranial`: the plane's direction across the axis
    marks_mm : (n, 2), (depth from the entry, across), mm, at least 3, in any order
    straight_ahead : (3,), LPS, the vertebra's own forward direction

    Returns
    -------
    WallExtent : depth of the tip; `cortex_mm` and `edge_mm` are (depth, across); no bearing

    Raises
    ------
    BadInputError : marks that make no wall
    """
    line = fit_wall(marks_mm, (0, 1), "front of the body")
    tip = np.array([axis.length_mm, 0.0])
    margin = float(line.stands_out_mm(tip[None])[0])
    nearest = line.nearest_points(tip[None])[0]
    leaves = margin > 0.0 and _faces_forwards(
        axis, unit(across), nearest, tip, unit(straight_ahead)
    )
    return WallExtent(
        extent_mm=margin if leaves else 0.0,
        margin_mm=margin if leaves or margin <= 0.0 else None,
        depth_mm=axis.length_mm,
        cortex_mm=(float(nearest[0]), float(nearest[1])),
        edge_mm=(axis.length_mm, 0.0),
        residual_mm=line.residual_mm,
    )


def _faces_forwards(
    axis: ScrewAxis,
    across: FloatArray,
    cortex: FloatArray,
    tip: FloatArray,
    straight_ahead: FloatArray,
) -> bool:
    # The line from the cortex to a point outside it is the cortex's outward normal.
    depth, sideways = tip - cortex
    outwards = unit(depth * axis.direction + sideways * across)
    return float(outwards @ straight_ahead) >= math.cos(math.radians(FORWARDS_DEG))


def body_lateral_extent(
    radius_mm: float, marks_by_depth: Mapping[float, ArrayLike], length_mm: float
) -> WallExtent:
    """Return the greatest extent through the body's lateral wall, marked in sections.

    Parameters
    ----------
    radius_mm : float
    marks_by_depth : depth in mm to (n, 2) marks (u, v) of the wall, at least 3 a section
    length_mm : float, from entry to tip
    """
    lines = fit_walls(marks_by_depth, (0, -1), "lateral wall of the body")
    return wall_extent(radius_mm, lines, length_mm)


def endplate_extent(
    radius_mm: float,
    marks_by_depth: Mapping[float, ArrayLike],
    length_mm: float,
    endplate: Literal["upper", "lower"],
) -> WallExtent:
    """Return the greatest extent through an endplate, marked in sections; as above."""
    outwards = (1, 1) if endplate == "upper" else (1, -1)
    lines = fit_walls(marks_by_depth, outwards, f"{endplate} endplate")
    return wall_extent(radius_mm, lines, length_mm)
