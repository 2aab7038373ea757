"""The ellipse nearest a set of points in the plane."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from registry.measure.axes import FloatArray

LONGEST_ASPECT = 4.0
"""No pedicle's cortex is flatter than this; a fit beyond it is taken as a circle. Ours."""


@dataclass(frozen=True, eq=False)
class Ellipse:
    """An ellipse: centre (2,), semi-axes (2,), and the axes' directions as columns (2, 2)."""

    centre: FloatArray
    semi_axes: FloatArray
    axes: FloatArray

    def whiten(self, points: FloatArray) -> FloatArray:
        """Return points in the frame in which the ellipse is the unit circle, shape (n, 2)."""
        result: FloatArray = (points - self.centre) @ self.axes / self.semi_axes
        return result

    def unwhiten(self, points: FloatArray) -> FloatArray:
        """Return the plane's points of points in the unit circle's frame, shape (n, 2)."""
        result: FloatArray = self.centre + (points * self.semi_axes) @ self.axes.T
        return result

    def tangent_distance(self, angles: FloatArray) -> FloatArray:
        """Return the distance from the centre to the tangent at each whitened angle."""
        result: FloatArray = 1.0 / np.hypot(
            np.cos(angles) / self.semi_axes[0], np.sin(angles) / self.semi_axes[1]
        )
        return result


def fit_ellipse(points: FloatArray) -> Ellipse:
    """Return the ellipse with the least algebraic distance, else the circle so found.

    Parameters
    ----------
    points : (n, 2), at least 5, not on one line

    Notes
    -----
    Minimises sum (a x^2 + b x y + c y^2 + d x + e y + f)^2 under 4 a c - b^2 = 1, solved in the
    stable partitioned form. A solution that is no ellipse, flatter than 4 to 1 or far wider than
    the points is replaced by the circle with least sum (x^2 + y^2 + d x + e y + f)^2.

    References
    ----------
    Fitzgibbon A, Pilu M, Fisher RB. Direct least square fitting of ellipses. IEEE Trans Pattern
    Anal Mach Intell 1999;21(5):476-480, and the partitioned form of Halir R, Flusser J, 1998
    (both from memory).
    """
    middle = points.mean(axis=0)
    scale = float(np.sqrt(((points - middle) ** 2).sum(axis=1).mean()))
    scaled = (points - middle) / scale
    found = _conic(scaled)
    if found is None:
        found = _circle(scaled)
    return Ellipse(middle + scale * found.centre, scale * found.semi_axes, found.axes)


def _conic(points: FloatArray) -> Ellipse | None:
    x, y = points.T
    squares = np.stack([x * x, x * y, y * y], axis=1)
    lines = np.stack([x, y, np.ones_like(x)], axis=1)
    try:
        back = -np.linalg.solve(lines.T @ lines, lines.T @ squares)
    except np.linalg.LinAlgError:
        return None
    reduced = squares.T @ squares + squares.T @ lines @ back
    reduced = np.stack([reduced[2] / 2.0, -reduced[1], reduced[0] / 2.0])
    _, vectors = np.linalg.eig(reduced)
    vectors = np.real(vectors)
    is_ellipse = 4.0 * vectors[0] * vectors[2] - vectors[1] ** 2 > 0.0
    if not is_ellipse.any():
        return None
    top = vectors[:, int(np.flatnonzero(is_ellipse)[0])]
    return _from_coefficients(top, back @ top)


def _from_coefficients(top: FloatArray, bottom: FloatArray) -> Ellipse | None:
    a, b, c = top
    quadratic = np.array([[a, b / 2.0], [b / 2.0, c]])
    centre = np.linalg.solve(quadratic, -bottom[:2] / 2.0)
    level = float(centre @ quadratic @ centre - bottom[2])
    eigenvalues, axes = np.linalg.eigh(quadratic / level)
    if not (eigenvalues > 0.0).all():
        return None
    semi_axes = 1.0 / np.sqrt(eigenvalues)
    widest = 3.0  # in units of the points' own root mean square distance
    if semi_axes.max() > LONGEST_ASPECT * semi_axes.min() or semi_axes.max() > widest:
        return None
    return Ellipse(centre, semi_axes, axes)


def _circle(points: FloatArray) -> Ellipse:
    design = np.column_stack([points, np.ones(len(points))])
    solution = np.linalg.lstsq(design, -(points**2).sum(axis=1))[0]
    centre = -solution[:2] / 2.0
    radius = float(np.sqrt(max(centre @ centre - solution[2], 1e-6)))
    return Ellipse(centre, np.array([radius, radius]), np.eye(2))
