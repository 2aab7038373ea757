"""Where a shank's metal ends across and at its tip, as brightness shows it."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from registry.measure.axes import unit
from registry.measure.proposals.diameters import is_streaked
from registry.measure.sampling import sample_points
from registry.measure.shank import LEAST_PLANES
from registry.measure.shank_ends import BRIGHTER, LEAST_BONE_HU, MOST_BONE_HU
from registry.measure.shank_tip import Blur, beyond_half_mm, tip_fall

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from registry.measure.axes import FloatArray
    from registry.measure.sampling import Voxels
    from registry.measure.shank_ends import FittedShank

_LEVELS = (0.75, 0.5, 0.25)
_STEP_MM = 0.1
_OUTSIDE_MM = (1.5, 3.5)
"""How far outside the metal its surroundings are looked at; ours."""
_LEAST_ACROSS = 0.2
_SHARPEST_MM, _SOFTEST_MM, _ROUGHLY_MM = 0.3, 1.2, 0.05
POINTED = 0.75
"""How much of what a point is dimmed by blur is reckoned with. A scan's blur is no plain one so
near to metal: one drawing dims points in full, the other not at all. Ours."""


@dataclass(frozen=True)
class MetalEnds:
    """Where a shank's metal seems to end; how much wider than catalogued it seems is left in.

    Attributes
    ----------
    radius_mm : across, in the slices' plane, where brightness has fallen half way
    tip_mm : along the axis from its tip
    """

    radius_mm: float
    tip_mm: float


@dataclass(frozen=True)
class _Flank:
    """Where brightness across a shank has fallen half way, and over what it falls, mm."""

    half_mm: float
    fall_mm: float

    def blur_mm(self, brighter: float) -> float:
        """Return the blur's standard deviation, from how a straight edge would fall."""
        blur = self.fall_mm / (_edge_mm(0.25, brighter) - _edge_mm(0.75, brighter))
        return round(min(max(blur, _SHARPEST_MM), _SOFTEST_MM) / _ROUGHLY_MM) * _ROUGHLY_MM


def metal_ends(voxels: Voxels, affine: ArrayLike, fitted: FittedShank) -> MetalEnds | None:
    """Return where a shank's metal ends, None where streaks or other metal hide it.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU
    affine : (4, 4), (i, j, k) to LPS mm
    fitted : the shank
    """
    if fitted.is_tip_hidden or is_streaked(fitted):
        return None
    flank = _flank(voxels, affine, fitted)
    fall = tip_fall(voxels, affine, fitted.line, fitted.sections, fitted.core_hu)
    if flank is None or fall is None:
        return None
    brighter = BRIGHTER if fitted.is_cut_off else 1.0
    in_plane = flank.blur_mm(brighter)
    shank_mm, fall_mm = fitted.sections.shank_mm, fall.fall_mm
    blur = Blur.of(affine, fitted.line.direction, in_plane)
    beyond, _ = beyond_half_mm(shank_mm, blur, fall_mm, brighter)
    sharp = Blur(in_plane, (in_plane, in_plane))
    by_kernel, _ = beyond_half_mm(shank_mm, sharp, fall_mm, brighter)
    # A blunt end's half fall lies as far outside it as a flank's does.
    by_kernel_dimmed = by_kernel + in_plane * _edge_mm(0.5, brighter)
    dimmed = POINTED * by_kernel_dimmed + (beyond - by_kernel)
    return MetalEnds(flank.half_mm, fall.half_mm + dimmed - fitted.tip_along_mm)


def _edge_mm(level: float, brighter: float) -> float:
    """Return how far outside a straight edge a level lies, for a blur of 1 mm."""
    return -NormalDist().inv_cdf(level / brighter)


def _flank(voxels: Voxels, affine: ArrayLike, fitted: FittedShank) -> _Flank | None:
    """Return a shank's flank as both sides show it in the planes of its front two thirds."""
    across = _across(affine, fitted.line.direction)
    if across is None:
        return None
    depths = fitted.sections.along_mm[fitted.sections.narrow()]
    depths = depths[len(depths) // 3 :]
    radii = np.arange(0.0, fitted.sections.shank_mm + _OUTSIDE_MM[1], _STEP_MM)
    places = np.stack(
        [
            _crossed(
                sample_points(
                    voxels, affine, fitted.line.at(depths)[:, None] + radii[:, None] * way
                ).astype(np.float64),
                radii,
                fitted,
            )
            for way in (across, -across)
        ]
    )
    is_seen = np.isfinite(places).all(axis=2)
    is_whole = is_seen.all(axis=0)
    if is_whole.sum() < LEAST_PLANES:
        return None
    # Half a chord, which a thread that stands out to one side leaves as it is.
    half = float(np.median(places[:, is_whole, 1].mean(axis=0)))
    falls = places[..., 2] - places[..., 0]
    return _Flank(half, float(np.median(falls[is_seen])))


def _across(affine: ArrayLike, direction: FloatArray) -> FloatArray | None:
    """Return the unit vector across a screw in the slices' plane, None for a screw along z."""
    matrix = np.asarray(affine, dtype=np.float64)[:3, :3]
    across = np.cross(direction, unit(np.cross(matrix[:, 0], matrix[:, 1])))
    return None if float(np.linalg.norm(across)) < _LEAST_ACROSS else unit(across)


def _crossed(values: FloatArray, radii: FloatArray, fitted: FittedShank) -> FloatArray:
    """Return where brightness first falls below each level going outwards, (planes, levels).

    values : (planes, radii), HU; not a number where it does not fall near the metal's edge
    """
    outside = radii > fitted.sections.shank_mm + _OUTSIDE_MM[0]
    around = float(np.clip(np.median(values[:, outside]), LEAST_BONE_HU, MOST_BONE_HU))
    share = (values - around) / max(fitted.core_hu - around, 1.0)
    places = []
    rows = np.arange(len(values))
    for level in _LEVELS:
        below = share < level
        number = below.argmax(axis=1)
        before = np.maximum(number - 1, 0)
        step = share[rows, before] - share[rows, number]
        part = (share[rows, before] - level) / np.maximum(step, 1e-9)
        is_seen = (number > 0) & ~outside[number]
        places.append(np.where(is_seen, radii[before] + part * _STEP_MM, np.nan))
    return np.stack(places, axis=1)
