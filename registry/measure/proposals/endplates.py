"""The endplates of a vertebra, as smooth sheets above and below its body."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from registry.measure.axes import unit
from registry.measure.proposals.evidence import thin_wall
from registry.measure.proposals.midplane import METAL_HU
from registry.measure.proposals.surfaces import fall_places, filled, least_cost, passing_cost

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from registry.measure.axes import FloatArray
    from registry.measure.proposals.midplane import VertebraFrame
    from registry.measure.proposals.straight import Tissue
    from registry.measure.sampling import Voxels

HALF_WIDTH_MM = 12.0
STEP_MM = 1.5
HIGHEST_MM, RISE_STEP_MM = 26.0, 0.5
LEAST_SEEN_SHARE = 0.5
FARTHEST_MM = 1.0
"""Root mean square distance of the places from the sheet, beyond which it is not trusted; ours."""
_HIDDEN_COST = 0.55
_SEEN_FROM = 0.3
_FULL_FALL = 0.25
_USUAL_MM, _SLACK_MM, _FARTHER_COST = 9.0, 6.0, 0.004


@dataclass(frozen=True, eq=False)
class Endplate:
    """A sheet in the vertebra's own coordinates: up = a quadratic of (left, back).

    Attributes
    ----------
    middle_mm : (left, back) about which it is written
    terms : (6,), of 1, x, y, x^2, xy, y^2 with x and y counted from the middle
    spread_mm : root mean square distance of the places that were seen from it
    is_upper : whether it bounds the body towards the head
    """

    middle_mm: tuple[float, float]
    terms: FloatArray
    spread_mm: float
    is_upper: bool

    def normal(self, left_mm: float, back_mm: float) -> FloatArray:
        """Return its unit normal at a place, headwards, in the vertebra's own coordinates.

        In the body's middle, where the dish of an endplate is level, that is the whole plate's.
        """
        left, back = left_mm - self.middle_mm[0], back_mm - self.middle_mm[1]
        _, by_left, by_back, left_2, crossed, back_2 = (float(term) for term in self.terms)
        slope_left = by_left + 2.0 * left_2 * left + crossed * back
        slope_back = by_back + crossed * left + 2.0 * back_2 * back
        return unit((-slope_left, -slope_back, 1.0))

    def height_mm(self, left_mm: ArrayLike, back_mm: ArrayLike) -> FloatArray:
        """Return how high it stands over places of the vertebra's own."""
        left = np.asarray(left_mm, dtype=np.float64) - self.middle_mm[0]
        back = np.asarray(back_mm, dtype=np.float64) - self.middle_mm[1]
        return np.asarray(_powers(left, back) @ self.terms)


def find_endplate(
    voxels: Voxels,
    affine: ArrayLike,
    frame: VertebraFrame,
    tissue: Tissue,
    back_mm: tuple[float, float],
    *,
    is_upper: bool,
) -> Endplate | None:
    """Return an endplate, None where too little of it is seen.

    Parameters
    ----------
    frame : whose origin lies beside the pedicles, and whose upwards direction is about the body's
    back_mm : from where to where along the vertebra's back direction it is looked for
    is_upper : which of the two
    """
    sign = 1.0 if is_upper else -1.0
    left = np.arange(-HALF_WIDTH_MM, HALF_WIDTH_MM + 0.1, STEP_MM)
    back = np.arange(back_mm[0], back_mm[1] + 0.1, STEP_MM)
    rise = np.arange(0.0, HIGHEST_MM + 0.1, RISE_STEP_MM)
    grid = np.stack(np.meshgrid(left, back, sign * rise, indexing="ij"), axis=-1)
    values = frame.values(voxels, affine, grid).astype(np.float32)
    blur = max(1.0, _width_mm(affine, frame.axes[2]))
    reach = 2 * round(blur / RISE_STEP_MM) + 1
    hidden = ndimage.binary_dilation(
        values > METAL_HU, structure=np.ones((3, 3, reach), dtype=bool)
    )
    soft, contrast = tissue.soft_hu, tissue.contrast_hu
    clipped = np.clip(values, soft - 100.0, soft + 1.3 * contrast)
    smooth = filled(clipped, hidden, (0.7, 0.7, 0.5))
    evidence = thin_wall(smooth, tissue, 1.6, _FULL_FALL * RISE_STEP_MM, blur)
    away = np.maximum(0.0, np.abs(rise - _USUAL_MM) - _SLACK_MM)
    cost = np.where(hidden, _HIDDEN_COST, 1.0 - evidence) + _FARTHER_COST * away**2
    cost += passing_cost(evidence, RISE_STEP_MM)
    number = least_cost(cost.astype(np.float32))
    at = number[..., None]
    is_seen = ~np.take_along_axis(hidden, at, axis=-1)[..., 0]
    is_seen &= np.take_along_axis(evidence, at, axis=-1)[..., 0] > _SEEN_FROM
    if is_seen.mean() < LEAST_SEEN_SHARE:
        return None
    heights = sign * fall_places(smooth, number, RISE_STEP_MM, 0.0)
    places = np.stack(np.meshgrid(left, back, indexing="ij"), axis=-1)[is_seen]
    return _sheet(places, heights[is_seen], is_upper=is_upper)


def _width_mm(affine: ArrayLike, direction: FloatArray) -> float:
    """Return how wide a voxel is along a direction."""
    matrix = np.asarray(affine, dtype=np.float64)[:3, :3]
    sizes = np.linalg.norm(matrix, axis=0)
    return float(np.linalg.norm((direction @ (matrix / sizes)) * sizes))


def _powers(left: FloatArray, back: FloatArray) -> FloatArray:
    ones = np.ones_like(left)
    return np.stack([ones, left, back, left**2, left * back, back**2], axis=-1)


def _sheet(places: FloatArray, heights: FloatArray, *, is_upper: bool) -> Endplate | None:
    middle = places.mean(axis=0)
    design = _powers(*(places - middle).T)
    is_kept = np.ones(len(places), dtype=bool)
    terms: FloatArray = np.zeros(6)
    residuals: FloatArray = np.asarray(heights)
    for _ in range(4):
        solved = np.linalg.lstsq(design[is_kept], heights[is_kept])[0]
        terms = np.asarray(solved, dtype=np.float64)
        residuals = np.asarray(heights - design @ terms)
        limit = max(0.8, 2.5 * float(np.median(np.abs(residuals[is_kept]))))
        is_kept = np.abs(residuals) < limit
    spread = float(np.sqrt(np.mean(residuals[is_kept] ** 2)))
    if spread > FARTHEST_MM or is_kept.mean() < LEAST_SEEN_SHARE:
        return None
    return Endplate((float(middle[0]), float(middle[1])), terms, spread, is_upper)
