"""The spine's own course past the screws: on which side each lies, and how far along."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.directions import Side
from registry.measure.axes import patient_to_voxel, voxel_to_patient
from registry.measure.proposals.metal_parts import LEAST_METAL_HU, spacing_kji

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from registry.measure.axes import FloatArray, ScrewAxis
    from registry.measure.sampling import Voxels

PEDICLE_DEPTH_MM = 14.0
"""About where a shank passes through its pedicle; ours."""
_BONE_HU = 220
_HALF_BOX_MM = (60.0, 18.0, 12.0)
_WINDOW_MM = 42.0
_EVERY_MM = 1.5
_LEAST_BONE = 60
_ROUNDS = 12
_BONE_WEIGHT = 0.25
_DOUBTFUL_MM = 4.0


@dataclass(frozen=True, eq=False)
class Course:
    """Where each screw lies about the spine's middle line, in the order they were given.

    Attributes
    ----------
    along_mm : (n,), along the line from cranial to caudal
    aside_mm : (n,), to the patient's left of it
    sides : one a screw
    """

    along_mm: FloatArray
    aside_mm: FloatArray
    sides: tuple[Side, ...]

    def is_doubtful(self, number: int) -> bool:
        """Return whether a screw lies too near the middle line to tell its side."""
        return abs(float(self.aside_mm[number])) < _DOUBTFUL_MM


def course_of(axes: Sequence[ScrewAxis], voxels: Voxels, affine: ArrayLike) -> Course:
    """Return the spine's course past some screws.

    The middle line starts as the middle of the bone about each screw's pedicle and is drawn
    between the two rows of screws where there are two, so that a curved or turned spine, whose
    screws may lie beyond the patient's own middle, does not exchange sides.

    Parameters
    ----------
    axes : of the screws, at least one
    voxels : (slices, rows, columns), HU
    affine : (4, 4), (i, j, k) to LPS mm
    """
    points = np.stack([_pedicle(axis) for axis in axes])
    bone = np.array([_bone_middle(voxels, affine, place) for place in points])
    known = np.isfinite(bone)
    guess = bone if known.any() else points[:, 0].mean() + np.zeros(len(points))
    known = np.isfinite(guess)
    heights = points[:, 2]
    degree = _degree(heights)
    line = _Curve.through(heights[known], guess[known], np.ones(int(known.sum())), degree)
    for _ in range(_ROUNDS):
        aside = points[:, 0] - line(heights)
        left = aside >= 0.0
        if left.all() or not left.any():
            break
        half = float(np.clip(np.median(np.abs(aside)), 8.0, 22.0))
        targets = np.concatenate([points[:, 0] - np.where(left, half, -half), guess[known]])
        places = np.concatenate([heights, heights[known]])
        weights = np.concatenate([np.ones(len(points)), np.full(int(known.sum()), _BONE_WEIGHT)])
        line = _Curve.through(places, targets, weights, degree)
    return _placed(points, line, degree)


def _pedicle(axis: ScrewAxis) -> FloatArray:
    return axis.at(min(PEDICLE_DEPTH_MM, 0.45 * axis.length_mm))


def _bone_middle(voxels: Voxels, affine: ArrayLike, place: FloatArray) -> float:
    """Return the patient x of the middle of the bone about a pedicle, NaN where there is none."""
    half = np.array(_HALF_BOX_MM)
    corners = np.stack(np.meshgrid(*[(-1.0, 1.0)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    box = patient_to_voxel(place + corners * half, affine)
    top = np.array(voxels.shape[::-1])
    low = np.clip(np.floor(box.min(axis=0)), 0, top).astype(int)
    high = np.clip(np.ceil(box.max(axis=0)) + 1, 0, top).astype(int)
    step = np.maximum(1, np.rint(_EVERY_MM / spacing_kji(affine)[::-1])).astype(int)
    cut = [slice(low[n], high[n], step[n]) for n in (2, 1, 0)]
    block = np.asarray(voxels[cut[0], cut[1], cut[2]])
    kji = np.argwhere((block >= _BONE_HU) & (block < LEAST_METAL_HU))
    bone = voxel_to_patient(kji[:, ::-1] * step + low, affine)
    lefts = bone[(np.abs(bone - place) <= half).all(axis=1), 0]
    if len(lefts) < _LEAST_BONE:
        return float("nan")
    middle = float(np.median(lefts))
    for _ in range(_ROUNDS):
        middle = float(lefts[np.abs(lefts - middle) <= _WINDOW_MM].mean())
    return middle


def _degree(heights: FloatArray) -> int:
    """Return how freely a line may bend over the height that the screws span."""
    span = float(np.ptp(heights))
    return int(np.searchsorted([25.0, 70.0, 160.0], span))


class _Curve:
    """A polynomial of height, straight beyond its ends."""

    def __init__(self, polynomial: np.polynomial.Polynomial, low: float, high: float) -> None:
        self._polynomial, self._low, self._high = polynomial, low, high

    @classmethod
    def through(
        cls, heights: FloatArray, values: FloatArray, weights: FloatArray, degree: int
    ) -> _Curve:
        degree = min(degree, len(np.unique(np.round(heights / 10.0))) - 1)
        fitted = np.polynomial.Polynomial.fit(heights, values, max(degree, 0), w=np.sqrt(weights))
        return cls(fitted, float(heights.min()), float(heights.max()))

    def __call__(self, heights: FloatArray) -> FloatArray:
        within = np.clip(heights, self._low, self._high)
        slope = self._polynomial.deriv()(within)
        result: FloatArray = self._polynomial(within) + slope * (heights - within)
        return result


def _placed(points: FloatArray, line: _Curve, degree: int) -> Course:
    """Return where points lie about the line, at the line's place nearest each."""
    heights = points[:, 2]
    depth = _Curve.through(heights, points[:, 1], np.ones(len(points)), min(degree, 2))
    ladder = np.arange(heights.max() + 40.0, heights.min() - 40.0, -0.5)
    track = np.column_stack([line(ladder), depth(ladder), ladder])
    steps = np.linalg.norm(np.diff(track, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    nearest = np.linalg.norm(points[:, None] - track, axis=-1).argmin(axis=1)
    aside = points[:, 0] - track[nearest, 0]
    return Course(along[nearest], aside, tuple(_side(value) for value in aside))


def _side(aside_mm: float) -> Side:
    return Side.LEFT if aside_mm >= 0.0 else Side.RIGHT
