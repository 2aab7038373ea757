"""The outer cortex in a section, as a closed smooth curve through the places where it is seen."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.problems import BadInputError, Fault
from registry.measure.ellipse import fit_ellipse
from registry.measure.polylines import feet_of

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from registry.measure.axes import FloatArray
    from registry.measure.ellipse import Ellipse

LEAST_MARKS = 5
LEAST_SPREAD_MM = 1.0
"""Root mean square distance of the marks from the line through them; ours."""
WIDEST_GAP_DEG = 180.0
"""Widest arc without a mark, seen from the curve's middle; ours."""
FARTHEST_MARK_MM = 1.5
"""Farthest that a mark may lie from the curve fitted through all; ours."""

MARK_SD_MM = 0.25
"""How closely the curve follows the marks: their standard deviation about it; ours."""
HARMONICS = 8
_ANGLES = 2048
_COARSE, _FINER = 16, 4
_FULL_TURN = 2.0 * np.pi


@cache
def _angles() -> FloatArray:
    return np.linspace(0.0, _FULL_TURN, _ANGLES, endpoint=False)


def _basis(angles: FloatArray) -> FloatArray:
    """Return 1, cos t, sin t, cos 2t ... as columns."""
    multiples = angles[:, None] * np.arange(1, HARMONICS + 1)
    return np.column_stack([np.ones_like(angles), np.cos(multiples), np.sin(multiples)])


@cache
def _dense_basis() -> FloatArray:
    return _basis(_angles())


@cache
def _departure_sd_mm() -> FloatArray:
    """Return how far a cortex departs from an ellipse, harmonic by harmonic, mm.

    The first three harmonics only shift, stretch and turn the ellipse; from the third on they
    shrink with the square of their number. The fourth makes it squarer, at all four corners alike:
    0.36 mm where a superellipse has the power 3 and a mean radius of 6 mm, so that the corners
    that are seen tell how full the hidden one is. Set on superellipses; ours.
    """
    numbers = np.arange(1, HARMONICS + 1)
    sizes = np.where(numbers <= 2, 0.6, 0.6 * (2.0 / numbers) ** 2)  # noqa: PLR2004 - as said
    sizes[3] = 0.45
    return np.concatenate([[0.6], sizes, sizes])


@dataclass(frozen=True, eq=False)
class ClosedCurve:
    """A closed smooth curve in section coordinates (u medial, v cranial), mm.

    The curve is star-shaped about its centre, so it never crosses itself: it is kept as its
    distance from the centre in 2,048 directions, counted from medial towards cranial, which are
    less than 0.05 mm apart up to a radius of 16 mm.

    Attributes
    ----------
    centre : (2,)
    radii : (2048,), mm
    sd_mm : (2048,), standard deviation of the curve's place across itself, from the fit: small
        where marks are near, larger where it is carried through a gap
    from_mark_deg : (2048,), angle from the nearest mark, seen from the centre
    residual_mm : float, root mean square distance of the marks from the curve
    """

    centre: FloatArray
    radii: FloatArray
    sd_mm: FloatArray
    from_mark_deg: FloatArray
    residual_mm: float

    @classmethod
    def fit(cls, marks_mm: ArrayLike) -> ClosedCurve:
        """Return the curve through marked points; see `fit_curve`."""
        return fit_curve(marks_mm)

    @cached_property
    def points(self) -> FloatArray:
        """The curve's points, shape (2048, 2), counter-clockwise from medial."""
        angles = _angles()
        circle = np.column_stack([np.cos(angles), np.sin(angles)])
        result: FloatArray = self.centre + self.radii[:, None] * circle
        return result

    @cached_property
    def area_mm2(self) -> float:
        """The area inside."""
        u, v = self.points.T
        return float(0.5 * abs(np.dot(u, np.roll(v, -1)) - np.dot(v, np.roll(u, -1))))

    def contains(self, points_mm: ArrayLike) -> NDArray[np.bool_]:
        """Tell of each point, shape (..., 2), whether it lies inside; shape (...,)."""
        offset = np.asarray(points_mm, dtype=np.float64) - self.centre
        place = np.arctan2(offset[..., 1], offset[..., 0]) % _FULL_TURN * (_ANGLES / _FULL_TURN)
        number = np.floor(place).astype(np.intp)
        before, after = self.radii[number % _ANGLES], self.radii[(number + 1) % _ANGLES]
        edge = before + (place - number) * (after - before)
        inside: NDArray[np.bool_] = np.hypot(offset[..., 0], offset[..., 1]) <= edge
        return inside

    def nearest_points(self, points_mm: ArrayLike) -> tuple[FloatArray, NDArray[np.intp]]:
        """Return the nearest points of the curve, (n, 2), and their directions' numbers, (n,).

        Every sixteenth point of the curve is tried, then ever closer ones about the nearest, then
        the two pieces of curve that meet there.

        Parameters
        ----------
        points_mm : (n, 2)
        """
        points = np.asarray(points_mm, dtype=np.float64)
        u, v = np.ascontiguousarray(self.points[::_COARSE].T)
        coarse = ((points[:, :1] - u) ** 2 + (points[:, 1:] - v) ** 2).argmin(axis=1) * _COARSE
        number = self._closest(points, coarse, np.arange(-_COARSE, _COARSE + 1, _FINER))
        number = self._closest(points, number, np.arange(1 - _FINER, _FINER))
        ends = [(number + step) % _ANGLES for step in (1, -1)]
        return feet_of(points, self.points, number, ends), number

    def _closest(
        self, points: FloatArray, numbers: NDArray[np.intp], steps: NDArray[np.intp]
    ) -> NDArray[np.intp]:
        window = (numbers[:, None] + steps) % _ANGLES
        apart = self.points[window] - points[:, None]
        closest = np.einsum("ijk,ijk->ij", apart, apart).argmin(axis=1)
        chosen: NDArray[np.intp] = window[np.arange(len(points)), closest]
        return chosen

    def sampled(self, step_mm: float) -> FloatArray:
        """Return points of the curve at most `step_mm` apart, for drawing; shape (n, 2)."""
        around = np.hypot(*(np.roll(self.points, -1, axis=0) - self.points).T)
        every = max(1, int(step_mm / float(around.max())))
        return self.points[::every]


def fit_curve(marks_mm: ArrayLike) -> ClosedCurve:
    """Return the closed smooth curve through marked points of the cortex.

    Parameters
    ----------
    marks_mm : (n, 2), section coordinates (u, v), at least 5, in any order

    Returns
    -------
    ClosedCurve

    Raises
    ------
    BadInputError : too few marks, marks on one line or on less than half the way round, or marks
        that no single outline can pass near

    Notes
    -----
    An ellipse with centre m, axes R and semi-axes D is fitted first; in its frame a point is
    w = D^-1 R' (p - m) with angle t. The curve is p(t) = m + R D (cos t, sin t) (1 + g(t)) with
    g(t) = sum over k = 0..8 of a_k cos kt + b_k sin kt. With h(t) the distance from the centre to
    the ellipse's tangent, the coefficients minimise

        sum_i (h(t_i) (|w_i| - 1 - g(t_i)) / s)^2 + sum_k (a_k^2 + b_k^2) (r / q_k)^2

    where s = 0.25 mm, r is the ellipse's mean radius and q_k = 0.6 mm for k <= 2, 0.6 (2/k)^2 mm
    beyond but 0.45 mm for k = 4: the curve goes near the marks where there are any and returns to
    the ellipse, or to its squarer form, where there are none. The same expression read as a
    Gaussian prior and likelihood gives `sd_mm`.
    """
    marks = _checked(marks_mm)
    ellipse = fit_ellipse(marks)
    whitened = ellipse.whiten(marks)
    angles = np.arctan2(whitened[:, 1], whitened[:, 0]) % _FULL_TURN
    _check_gap(angles)
    distance = ellipse.tangent_distance(angles)
    basis = _basis(angles)
    mean_radius = float(np.sqrt(ellipse.semi_axes.prod()))
    design = distance[:, None] * basis / MARK_SD_MM
    observed = distance * (np.hypot(*whitened.T) - 1.0) / MARK_SD_MM
    precision = design.T @ design + np.diag((mean_radius / _departure_sd_mm()) ** 2)
    covariance: FloatArray = np.linalg.inv(precision).astype(np.float64)
    coefficients = covariance @ (design.T @ observed)
    residuals = (observed - design @ coefficients) * MARK_SD_MM
    _check_residuals(marks, residuals)
    return _curve(ellipse, coefficients, covariance, angles, residuals)


def _checked(marks_mm: ArrayLike) -> FloatArray:
    marks = np.asarray(marks_mm, dtype=np.float64).reshape(-1, 2)
    if not np.isfinite(marks).all():
        raise BadInputError(Fault("a mark has no finite place", "cortex", "mark it again"))
    # A fixed order makes the result the same to the last digit whatever the order of marking.
    marks = np.unique(marks, axis=0)
    if len(marks) < LEAST_MARKS:
        raise BadInputError(
            Fault(
                f"{len(marks)} different marks do not make an outline",
                "cortex",
                f"mark at least {LEAST_MARKS} places",
            )
        )
    spread = float(np.linalg.svd(marks - marks.mean(axis=0), compute_uv=False)[1])
    if spread / np.sqrt(len(marks)) < LEAST_SPREAD_MM:
        raise BadInputError(
            Fault(
                "the marks lie almost on one line or in one place",
                "cortex",
                "mark opposite walls too",
            )
        )
    return marks


def _check_gap(angles: FloatArray) -> None:
    ordered = np.sort(angles)
    gap = float(np.rad2deg(np.diff(ordered, append=ordered[0] + _FULL_TURN).max()))
    if gap > WIDEST_GAP_DEG:
        raise BadInputError(
            Fault(
                f"the marks leave {gap:.0f} of 360 degrees of the outline without a mark",
                "cortex",
                "mark more of the way round, or use the calliper",
            )
        )


def _check_residuals(marks: FloatArray, residuals: FloatArray) -> None:
    worst = int(np.abs(residuals).argmax())
    if abs(residuals[worst]) > FARTHEST_MARK_MM:
        u, v = marks[worst]
        raise BadInputError(
            Fault(
                f"no single outline passes near all marks: the one at {u:.1f} mm medial, "
                f"{v:.1f} mm cranial is {abs(residuals[worst]):.1f} mm away from it",
                "cortex",
                "move or remove that mark",
            )
        )


def _curve(
    ellipse: Ellipse,
    coefficients: FloatArray,
    covariance: FloatArray,
    mark_angles: FloatArray,
    residuals: FloatArray,
) -> ClosedCurve:
    basis = _dense_basis()
    stretch = 1.0 + basis @ coefficients
    least_stretch = 0.2
    if stretch.min() < least_stretch:
        raise BadInputError(
            Fault(
                "an outline through these marks would cross itself",
                "cortex",
                "remove marks that lie inside the bone, or mark more of the way round",
            )
        )
    circle = np.column_stack([np.cos(_angles()), np.sin(_angles())])
    offset = ellipse.unwhiten(circle * stretch[:, None]) - ellipse.centre
    spread = np.sqrt(np.einsum("ij,jk,ik->i", basis, covariance, basis, optimize=True))
    marks = ellipse.unwhiten(np.column_stack([np.cos(mark_angles), np.sin(mark_angles)]))
    marks = marks - ellipse.centre
    directions = np.arctan2(offset[:, 1], offset[:, 0])
    sd = spread * ellipse.tangent_distance(_angles())
    return ClosedCurve(
        centre=ellipse.centre,
        radii=_around(directions, np.hypot(*offset.T)),
        sd_mm=_around(directions, sd),
        from_mark_deg=_from_mark_deg(np.arctan2(marks[:, 1], marks[:, 0])),
        residual_mm=float(np.sqrt(np.mean(residuals**2))),
    )


def _around(directions: FloatArray, values: FloatArray) -> FloatArray:
    """Return values given at some directions at the 2,048 equally spaced ones."""
    result: FloatArray = np.interp(_angles(), directions, values, period=_FULL_TURN)
    return result


def _from_mark_deg(mark_directions: FloatArray) -> FloatArray:
    apart = np.abs(_angles()[:, None] - mark_directions[None, :] % _FULL_TURN)
    result: FloatArray = np.rad2deg(np.minimum(apart, _FULL_TURN - apart).min(axis=1))
    return result


def between(first: ClosedCurve, second: ClosedCurve, share: float) -> ClosedCurve:
    """Return the curve at a share (0 to 1) of the way from one marked section to the next.

    The centre and the distance from it in every direction are each taken in proportion, and so
    are the fit's standard deviations.
    """
    rest = 1.0 - share
    return ClosedCurve(
        centre=rest * first.centre + share * second.centre,
        radii=rest * first.radii + share * second.radii,
        sd_mm=rest * first.sd_mm + share * second.sd_mm,
        from_mark_deg=rest * first.from_mark_deg + share * second.from_mark_deg,
        residual_mm=rest * first.residual_mm + share * second.residual_mm,
    )
