"""Where a pedicle's wall runs while metal hides it, told by all that is seen of it and its like.

One smooth tube is laid through the places seen in every section at once: what is hidden in one
section shows in another where the screw leaves the wall. The opposite pedicle, turned over the
midplane, is the same tube but for what two sides of a vertebra differ by. Both are one linear
Gaussian model, whose posterior says how sure each place is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from registry.measure.ellipse import fit_ellipse

if TYPE_CHECKING:
    from collections.abc import Sequence

    from registry.measure.axes import FloatArray
    from registry.measure.ellipse import Ellipse

HARMONICS = 6
ORDER_EVERY_MM, LEAST_ORDERS, MOST_ORDERS = 4.0, 3, 6
"""Of the polynomials along the pedicle: so many more the longer the stretch is."""
MARK_SD_MM, LIKE_SD_MM = 0.5, 0.5
"""Of one place; more than its own error, because neighbours err alike. Set on drawings."""
LOW_SD_MM = 2.0
"""By which a tube may be shifted, widened or flattened against the ellipse it starts from."""
LEAST_LIKE = 60
"""So many places of another pedicle make it worth looking at."""
LEAST_HALF_LENGTH_MM = 3.0
_ROUNDS = 5
_OUTLIER_SDS = 1.5
_SHORTEST = 0.2


@dataclass(frozen=True, eq=False)
class Like:
    """Another pedicle's cortex, brought to where this one's should be.

    Attributes
    ----------
    places_mm : (n, 3), depth, u and v in this screw's sections
    shift_sd_mm : how far it may lie beside this one
    size_sd_mm : how much wider or narrower it may be on one side, or longer than wide
    """

    places_mm: FloatArray
    shift_sd_mm: float
    size_sd_mm: float


@dataclass(frozen=True, eq=False)
class Tube:
    """A pedicle's outer cortex as a smooth tube: p(t, z) = m(z) + R D (cos t, sin t) (1 + g(t, z)).

    g is a sum of harmonics of t up to the sixth with Legendre polynomials of z as their
    coefficients, z from -1 to 1 along the stretch; m follows the course.
    """

    middle_mm: float
    half_length_mm: float
    slope: FloatArray
    ellipse: Ellipse
    coefficients: FloatArray
    covariance: FloatArray

    def places(self, depth_mm: float, turns: int) -> tuple[FloatArray, FloatArray]:
        """Return places of the tube in one section, (turns, 2), and their sds, (turns,), mm."""
        angles = np.linspace(0.0, 2.0 * np.pi, turns, endpoint=False)
        along = np.full(turns, (depth_mm - self.middle_mm) / self.half_length_mm)
        design = _design(angles, along, len(self.coefficients) // len(_numbers()))
        stretch = np.maximum(1.0 + design @ self.coefficients, _SHORTEST)
        circle = np.column_stack([np.cos(angles), np.sin(angles)]) * stretch[:, None]
        spread = np.einsum("ij,jk,ik->i", design, self.covariance, design, optimize=True)
        sd = np.sqrt(np.maximum(spread, 0.0)) * self.ellipse.tangent_distance(angles)
        shift = (depth_mm - self.middle_mm) * self.slope
        return np.asarray(self.ellipse.unwhiten(circle) + shift), sd


def fit_tube(seen_mm: FloatArray, likes: Sequence[Like], slope: tuple[float, float]) -> Tube:
    """Return the tube through what is seen of a pedicle.

    Parameters
    ----------
    seen_mm : (n, 3), depth, u and v of places on the cortex
    likes : other pedicles that should look like this one
    slope : (u, v) that the pedicle's middle gains with every mm of depth
    """
    low, high = float(seen_mm[:, 0].min()), float(seen_mm[:, 0].max())
    middle, half = (low + high) / 2.0, max(LEAST_HALF_LENGTH_MM, (high - low) / 2.0)
    leans = np.asarray(slope)

    def flat(places: FloatArray) -> FloatArray:
        return np.asarray(places[:, 1:] - (places[:, :1] - middle) * leans)

    def along(places: FloatArray) -> FloatArray:
        return (places[:, 0] - middle) / half

    cut = [_cut(each, low - 0.5, high + 0.5) for each in likes]
    used = [each for each in cut if len(each.places_mm) >= LEAST_LIKE]
    ellipse = fit_ellipse(np.concatenate([flat(seen_mm), *(flat(u.places_mm) for u in used)]))
    orders = round((high - low) / ORDER_EVERY_MM) + 1
    model = _Model(ellipse, int(np.clip(orders, LEAST_ORDERS, MOST_ORDERS)))
    model.add(flat(seen_mm), along(seen_mm), MARK_SD_MM)
    for like in used:
        model.add(flat(like.places_mm), along(like.places_mm), LIKE_SD_MM, like)
    coefficients, covariance = model.solved()
    own = model.own
    return Tube(middle, half, leans, ellipse, coefficients[:own], covariance[:own, :own])


def _cut(like: Like, low: float, high: float) -> Like:
    depth = like.places_mm[:, 0]
    kept = like.places_mm[(depth >= low) & (depth <= high)]
    return Like(kept, like.shift_sd_mm, like.size_sd_mm)


def _numbers() -> FloatArray:
    numbers = np.arange(1, HARMONICS + 1)
    return np.concatenate([[0], numbers, numbers])


def _design(angles: FloatArray, along: FloatArray, orders: int) -> FloatArray:
    """Return each harmonic times each polynomial, (n, orders x (1 + 2 harmonics))."""
    multiples = angles[:, None] * np.arange(1, HARMONICS + 1)
    around = np.column_stack([np.ones_like(angles), np.cos(multiples), np.sin(multiples)])
    legendre = np.polynomial.legendre.legvander(along, orders - 1)
    return np.asarray((legendre[:, :, None] * around[:, None, :]).reshape(len(angles), -1))


def _own_sd_mm(orders: int) -> FloatArray:
    """Return how far a pedicle departs from a straight elliptic tube, by coefficient; ours.

    The first three harmonics shift, widen and flatten; the rest shrink with the square of their
    number, but the fourth, as in `measure/cortex.py`.
    """
    number = _numbers()
    shape = 0.6 * (2.0 / np.maximum(number, 2)) ** 2
    shape[number == 4] = 0.45  # noqa: PLR2004 - squarer at all corners alike
    is_low = number <= 2  # noqa: PLR2004 - as said
    low = np.array([0.8, 0.9, 0.6])[np.minimum(number, 2).astype(np.intp)]
    rest = [
        np.where(is_low, 0.7**order * low, 0.6 * 0.65**order * shape) for order in range(orders - 1)
    ]
    return np.concatenate([np.where(is_low, LOW_SD_MM, shape), *rest])


def _difference_sd_mm(like: Like) -> FloatArray:
    """Return how far another pedicle departs from this one, constant and straight along it."""
    number = _numbers()
    shape = 0.42 * (2.0 / np.maximum(number, 2)) ** 2
    sd = np.where(number == 0, like.size_sd_mm, np.where(number == 1, like.shift_sd_mm, shape))
    sd[number == 2] = like.size_sd_mm  # noqa: PLR2004 - flatter or rounder
    return np.concatenate([sd, 0.5 * sd])


class _Model:
    """The equations of a tube, each divided by its standard deviation."""

    def __init__(self, ellipse: Ellipse, orders: int) -> None:
        self._ellipse, self._orders = ellipse, orders
        self.own = orders * len(_numbers())
        self._radius = float(np.sqrt(ellipse.semi_axes.prod()))
        self._prior = [self._radius / _own_sd_mm(orders)]
        self._rows: list[tuple[FloatArray, FloatArray, int]] = []

    def add(
        self,
        flat: FloatArray,
        along: FloatArray,
        sd_mm: float,
        like: Like | None = None,
    ) -> None:
        """Take places of the tube or of one like it in."""
        whitened = self._ellipse.whiten(flat)
        angles = np.arctan2(whitened[:, 1], whitened[:, 0])
        distance = self._ellipse.tangent_distance(angles) / sd_mm
        design = distance[:, None] * _design(angles, along, self._orders)
        block = 0
        if like is not None:
            block = len(self._prior)
            self._prior.append(self._radius / _difference_sd_mm(like))
            differs = distance[:, None] * _design(angles, along, 2)
            design = np.hstack([design, differs])
        observed = distance * (np.hypot(*whitened.T) - 1.0)
        self._rows.append((design, observed, block))

    def solved(self) -> tuple[FloatArray, FloatArray]:
        """Return the coefficients and their covariance; what lies far off counts less."""
        prior = np.concatenate(self._prior)
        starts = np.cumsum([0, *(len(each) for each in self._prior)])
        own = self.own
        design = np.zeros((sum(len(row[1]) for row in self._rows), len(prior)))
        observed = np.concatenate([row[1] for row in self._rows])
        at = 0
        for rows, values, block in self._rows:
            design[at : at + len(values), :own] = rows[:, :own]
            if block:
                design[at : at + len(values), starts[block] : starts[block + 1]] = rows[:, own:]
            at += len(values)
        weight = np.ones(len(observed))
        for _ in range(_ROUNDS):
            weighted = design * weight[:, None]
            covariance = np.asarray(np.linalg.inv(weighted.T @ design + np.diag(prior**2)))
            coefficients = covariance @ (weighted.T @ observed)
            away = observed - design @ coefficients
            weight = 1.0 / np.maximum(1.0, np.abs(away) / _OUTLIER_SDS)
        return coefficients, covariance
