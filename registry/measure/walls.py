"""One wall of bone that does not close in itself, as an open smooth line through its marks."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from scipy.spatial import KDTree

from registry.domain.problems import BadInputError, Fault
from registry.measure.polylines import feet_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike, NDArray

    from registry.measure.axes import FloatArray

    Outwards: TypeAlias = tuple[int, int]

LEAST_MARKS = 3
CUBIC_FROM_MARKS = 6
"""Fewer marks carry a parabola only; ours."""
SHORTEST_SPAN_MM = 2.0
CARRIED_ON_MM = 10.0
"""How far the line is carried straight on beyond its outermost marks; ours."""
FARTHEST_MARK_MM = 1.5
_STEP_MM = 0.05


@dataclass(frozen=True, eq=False)
class OpenCurve:
    """A smooth line along a wall: how far out the wall stands at each place along it.

    In the plane's two coordinates one runs along the wall (a) and one out of the bone (o).

    Attributes
    ----------
    outwards : which coordinate leads out of the bone (0 or 1) and its sign (1 or -1)
    along_mm : (n,), evenly spaced places along the wall
    out_mm : (n,), the wall's place there, counted outwards
    marked_mm : the outermost marks' places along the wall
    residual_mm : root mean square distance of the marks from the line
    """

    outwards: Outwards
    along_mm: FloatArray
    out_mm: FloatArray
    marked_mm: tuple[float, float]
    residual_mm: float

    @cached_property
    def points(self) -> FloatArray:
        """The line's points in the plane's own coordinates, shape (n, 2)."""
        return _plane(self.along_mm, self.out_mm, self.outwards)

    @cached_property
    def _tree(self) -> KDTree:
        return KDTree(self.points)

    def stands_out_mm(self, points_mm: FloatArray) -> FloatArray:
        """Return the distance of each point from the line: positive outside, negative inside."""
        distance = np.hypot(*(points_mm - self.nearest_points(points_mm)).T)
        along, out = _wall(points_mm, self.outwards)
        result: FloatArray = np.where(self.is_outside(along, out), distance, -distance)
        return result

    def is_outside(self, along_mm: FloatArray, out_mm: FloatArray) -> NDArray[np.bool_]:
        """Tell of points given along and out of the wall whether they lie beyond it."""
        outside: NDArray[np.bool_] = out_mm > np.interp(along_mm, self.along_mm, self.out_mm)
        return outside

    def nearest_points(self, points_mm: FloatArray) -> FloatArray:
        """Return the nearest points of the line, (n, 2)."""
        number = np.asarray(self._tree.query(points_mm)[1], dtype=np.intp)
        last = len(self.along_mm) - 1
        ends = [np.minimum(number + 1, last), np.maximum(number - 1, 0)]
        return feet_of(points_mm, self.points, number, ends)

    def past_marks_mm(self, point_mm: FloatArray) -> float:
        """Return how far along the wall a point lies beyond the outermost mark, 0 between."""
        along = float(_wall(point_mm[None, :], self.outwards)[0][0])
        return max(0.0, self.marked_mm[0] - along, along - self.marked_mm[1])


def _wall(points: FloatArray, outwards: Outwards) -> tuple[FloatArray, FloatArray]:
    number, sign = outwards
    return points[:, 1 - number], sign * points[:, number]


def _plane(along: FloatArray, out: FloatArray, outwards: Outwards) -> FloatArray:
    number, sign = outwards
    points = np.empty((len(along), 2))
    points[:, 1 - number], points[:, number] = along, sign * out
    return points


def fit_wall(marks_mm: ArrayLike, outwards: Outwards, where: str = "wall") -> OpenCurve:
    """Return the smooth line through a wall's marks.

    The wall's place is a parabola of the place along it (a cubic from 6 marks on), with least
    squares; beyond the outermost marks it is carried straight on for 10 mm.

    Parameters
    ----------
    marks_mm : (n, 2), the plane's coordinates, at least 3, in any order
    outwards : which coordinate leads out of the bone (0 or 1) and its sign (1 or -1)
    where : str, named in a fault

    Raises
    ------
    BadInputError : too few marks, marks on less than 2 mm of the wall, or a mark that the line
        cannot pass near
    """
    marks = np.asarray(marks_mm, dtype=np.float64).reshape(-1, 2)
    if not np.isfinite(marks).all():
        raise BadInputError(Fault("a mark has no finite place", where, "mark it again"))
    marks = np.unique(marks, axis=0)
    if len(marks) < LEAST_MARKS:
        raise BadInputError(
            Fault(
                f"{len(marks)} different marks do not make a wall",
                where,
                f"mark at least {LEAST_MARKS} places along it",
            )
        )
    along, out = _wall(marks, outwards)
    first, last = float(along.min()), float(along.max())
    if last - first < SHORTEST_SPAN_MM:
        raise BadInputError(
            Fault(
                f"the marks cover {last - first:.1f} mm of the wall",
                where,
                f"spread them over at least {SHORTEST_SPAN_MM:.0f} mm along it",
            )
        )
    middle, half = (first + last) / 2.0, (last - first) / 2.0
    degree = 3 if len(marks) >= CUBIC_FROM_MARKS else 2
    powers = np.vander((along - middle) / half, degree + 1)
    coefficients = np.linalg.lstsq(powers, out)[0]
    residuals = out - powers @ coefficients
    if float(np.abs(residuals).max()) > FARTHEST_MARK_MM:
        raise BadInputError(
            Fault(
                f"no smooth wall passes near all marks: one is "
                f"{float(np.abs(residuals).max()):.1f} mm away from it",
                where,
                "move or remove that mark",
            )
        )
    places = np.arange(first - CARRIED_ON_MM, last + CARRIED_ON_MM + _STEP_MM / 2, _STEP_MM)
    within = (np.clip(places, first, last) - middle) / half
    slope = np.polyval(np.polyder(coefficients), within) / half
    stands = np.polyval(coefficients, within) + slope * (places - np.clip(places, first, last))
    return OpenCurve(outwards, places, stands, (first, last), float(np.sqrt(np.mean(residuals**2))))


def wall_between(first: OpenCurve, second: OpenCurve, share: float) -> OpenCurve:
    """Return the wall at a share (0 to 1) of the way from one marked section to the next."""
    rest = 1.0 - share
    low = max(float(first.along_mm[0]), float(second.along_mm[0]))
    high = min(float(first.along_mm[-1]), float(second.along_mm[-1]))
    if high - low < SHORTEST_SPAN_MM:
        raise BadInputError(
            Fault(
                "two neighbouring sections have the wall marked in places that do not meet",
                "wall",
                "mark the same part of the wall in both",
            )
        )
    places = np.arange(low, high, _STEP_MM)
    return OpenCurve(
        first.outwards,
        places,
        rest * np.interp(places, first.along_mm, first.out_mm)
        + share * np.interp(places, second.along_mm, second.out_mm),
        (
            rest * first.marked_mm[0] + share * second.marked_mm[0],
            rest * first.marked_mm[1] + share * second.marked_mm[1],
        ),
        rest * first.residual_mm + share * second.residual_mm,
    )


def fit_walls(
    marks_by_depth: Mapping[float, ArrayLike], outwards: Outwards, where: str
) -> dict[float, OpenCurve]:
    """Return a line a marked section, keyed by depth in mm; faults name the depth."""
    return {
        depth: fit_wall(marks, outwards, f"{where}, section at {depth:.1f} mm")
        for depth, marks in sorted(marks_by_depth.items())
    }
