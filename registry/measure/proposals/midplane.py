"""A vertebra's plane of symmetry, found by laying its mirror image over it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from scipy.optimize import minimize
from scipy.spatial.transform import Rotation

from registry.measure.axes import Midplane, point, unit
from registry.measure.sampling import sample_points

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from registry.measure.axes import FloatArray
    from registry.measure.sampling import Voxels

    Pose: TypeAlias = tuple[float, float, float]

METAL_HU = 1900.0
"""From here on a voxel counts as metal or its bloom, and is left out with its mirror image."""
LEAST_LIKENESS = 0.35
"""Of the two halves, as a correlation; below it no midplane is given."""
_DARKEST_HU, _BRIGHTEST_HU = -150.0, 900.0
_LEAST_PLACES = 0.25
_COARSE_MM, _FINE_MM = (3.0, 3.0, 6.0), (1.5, 1.5, 3.0)
_REACH_MM = ((-30.0, 30.0), (-34.0, 26.0), (-12.0, 12.0))
_OFFSETS_MM = (-8.0, -6.0, -4.0, -2.0, 0.0, 2.0, 4.0, 6.0, 8.0)
_TURNS_DEG = (-18.0, -12.0, -6.0, 0.0, 6.0, 12.0, 18.0)
_LEANS_DEG = (-10.0, -5.0, 0.0, 5.0, 10.0)


@dataclass(frozen=True, eq=False)
class VertebraFrame:
    """A vertebra's own place and directions.

    Attributes
    ----------
    origin_mm : (3,), LPS, on the midplane, about as high and as far back as the pedicles
    axes : (3, 3), rows: to the vertebra's left, its back and its head; LPS
    likeness : of its two halves, -1 to 1
    """

    origin_mm: FloatArray
    axes: FloatArray
    likeness: float

    @property
    def midplane(self) -> Midplane:
        """The plane of symmetry."""
        return Midplane(point(self.origin_mm), point(self.axes[0]))

    def to_patient(self, local: ArrayLike) -> FloatArray:
        """Return LPS places of the vertebra's own (left, back, up), mm, shape (..., 3)."""
        return np.asarray(self.origin_mm + np.asarray(local, dtype=np.float64) @ self.axes)

    def to_local(self, places_mm: ArrayLike) -> FloatArray:
        """Return (left, back, up) of LPS places, mm, shape (..., 3)."""
        offset = np.asarray(places_mm, dtype=np.float64) - self.origin_mm
        return np.asarray(offset @ self.axes.T)

    def values(self, voxels: Voxels, affine: ArrayLike, local: ArrayLike) -> FloatArray:
        """Return the CT at places of the vertebra's own, HU."""
        return sample_points(voxels, affine, self.to_patient(local)).astype(np.float64)


def frame_of(origin_mm: ArrayLike, leftwards: ArrayLike, upwards: ArrayLike) -> VertebraFrame:
    """Return a frame from its left and about its upwards direction; its likeness is 0."""
    left, up = unit(leftwards), np.asarray(upwards, dtype=np.float64)
    up = unit(up - float(up @ left) * left)
    axes = np.stack([left, np.cross(up, left), up])
    return VertebraFrame(np.asarray(origin_mm, dtype=np.float64), axes, 0.0)


def find_midplane(voxels: Voxels, affine: ArrayLike, start: VertebraFrame) -> VertebraFrame:
    """Return the frame moved, turned and leant so that its two halves are most alike.

    Searched are 8 mm to either side, 18 degrees of turning about the spine and 10 of leaning
    sideways; from the best of a coarse grid on by the simplex method.
    """
    coarse, fine = _grid(_COARSE_MM), _grid(_FINE_MM)
    poses = list(itertools.product(_OFFSETS_MM, _TURNS_DEG, _LEANS_DEG))
    worths = [_likeness(voxels, affine, _posed(start, pose), coarse) for pose in poses]
    best = np.asarray(poses[int(np.argmax(worths))])

    def unlikeness(pose: FloatArray) -> float:
        return -_likeness(voxels, affine, _posed(start, pose), fine)

    found = minimize(
        unlikeness,
        best.astype(np.float64),
        method="Nelder-Mead",
        options={
            "initial_simplex": best + np.array([[0, 0, 0], [1.5, 0, 0], [0, 4, 0], [0, 0, 4]]),
            "xatol": 0.05,
            "fatol": 1e-4,
            "maxfev": 100,
        },
    )
    posed = _posed(start, found.x)
    return VertebraFrame(posed.origin_mm, posed.axes, -float(found.fun))


@cache
def _grid(steps_mm: tuple[float, float, float]) -> FloatArray:
    ticks = [
        np.arange(low, high + 0.1, step)
        for (low, high), step in zip(_REACH_MM, steps_mm, strict=True)
    ]
    return np.stack(np.meshgrid(*ticks, indexing="ij"), axis=-1)


def _posed(frame: VertebraFrame, pose: FloatArray | Pose) -> VertebraFrame:
    offset, turn, lean = (float(each) for each in np.asarray(pose))
    axes = Rotation.from_rotvec(np.radians(turn) * frame.axes[2]).apply(frame.axes)
    axes = Rotation.from_rotvec(np.radians(lean) * axes[1]).apply(axes)
    return VertebraFrame(frame.origin_mm + offset * axes[0], axes, 0.0)


def _likeness(voxels: Voxels, affine: ArrayLike, frame: VertebraFrame, grid: FloatArray) -> float:
    """Return the correlation of the two halves where neither holds metal."""
    values = frame.values(voxels, affine, grid)
    is_tissue = (values < METAL_HU) & (values > -1500.0)  # noqa: PLR2004 - outside the scan
    half = len(grid) // 2
    is_both = is_tissue[:half] & is_tissue[: -half - 1 : -1]
    if is_both.mean() < _LEAST_PLACES:
        return 0.0
    clipped = np.clip(values, _DARKEST_HU, _BRIGHTEST_HU)
    here, there = clipped[:half][is_both], clipped[: -half - 1 : -1][is_both]
    middle = (here.mean() + there.mean()) / 2.0
    here, there = here - middle, there - middle
    spread = float((here @ here + there @ there) / 2.0)
    return float(here @ there) / max(spread, 1e-9)
