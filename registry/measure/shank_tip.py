"""How far in front of where brightness has fallen half way a shank's point ends."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from registry.measure.sampling import sample_points

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from registry.measure.axes import FloatArray
    from registry.measure.sampling import Voxels
    from registry.measure.shank import Line, Sections

IN_PLANE_BLUR_MM = 0.5
"""A usual kernel's standard deviation, pixels included; common practice, no source."""
_FINE_MM = 0.1
_BEFORE_MM, _INSIDE_MM = 5.0, 16.0
_WIDTH_SD_MM = 0.35
_LEVELS = (0.75, 0.5, 0.25)


@dataclass(frozen=True)
class Point:
    """A shape of tip: how the radius grows going back from the end.

    round_mm : radius of the rounded end, at most the shank's
    taper_mm : over how much length the shank's radius is reached, behind the rounding
    power : 0.5 a blunt, 1 a straight cone
    """

    round_mm: float
    taper_mm: float
    power: float

    def radii(self, inwards_mm: FloatArray, shank_mm: float) -> FloatArray:
        """Return the radius at depths from the end, 0 before it."""
        end = min(self.round_mm, shank_mm)
        share = np.clip((inwards_mm - end) / self.taper_mm, 0.0, 1.0) ** self.power
        behind = end + (shank_mm - end) * share
        ball = np.sqrt(np.maximum(end**2 - (end - np.clip(inwards_mm, 0.0, end)) ** 2, 0.0))
        result: FloatArray = np.where(inwards_mm < end, ball, behind)
        return result


POINTS = (
    Point(0.05, 3.5, 0.5),
    Point(0.05, 5.0, 0.5),
    Point(0.6, 6.0, 0.5),
    Point(1.2, 4.0, 0.5),
    Point(1.2, 8.0, 0.5),
    Point(0.5, 5.0, 1.0),
    Point(1.0, 8.0, 1.0),
    Point(9.0, 1.0, 1.0),
)
"""Shapes of pedicle screws' ends; ours, no source."""


@dataclass(frozen=True)
class Blur:
    """Standard deviations of a scan's blur along a screw and in two directions across it, mm."""

    along_mm: float
    across_mm: tuple[float, float]

    @classmethod
    def of(cls, affine: ArrayLike, direction: FloatArray, in_plane_mm: float | None = None) -> Blur:
        """Return a scan's blur and a slice's thickness, as a screw's direction meets them.

        The slices are taken to be as thick as they stand apart; the blur in a slice's plane is a
        usual kernel's where it is not known.
        """
        matrix = np.asarray(affine, dtype=np.float64)[:3, :3]
        sides = np.linalg.norm(matrix, axis=0)
        in_plane = max(IN_PLANE_BLUR_MM, 0.5 * float(sides[:2].mean()))
        in_plane = in_plane if in_plane_mm is None else in_plane_mm
        slices = math.hypot(0.3, float(sides[2]) / math.sqrt(12.0))
        normal = np.cross(matrix[:, 0], matrix[:, 1])
        normal /= np.linalg.norm(normal)
        along = float(normal @ direction) ** 2
        excess = slices**2 - in_plane**2
        across = math.sqrt(in_plane**2 + excess * (1.0 - along))
        return cls(round(math.sqrt(in_plane**2 + excess * along), 2), (in_plane, round(across, 2)))


@cache
def _crossings(point: Point, shank_mm: float, blur: Blur, brighter: float) -> tuple[float, float]:
    """Return where brightness is half the shank's, mm inwards of the end, and how fast it falls.

    brighter : how many times as bright the metal is as the scale can show
    """
    inwards = np.arange(-_BEFORE_MM, _INSIDE_MM, _FINE_MM)
    lit = _lit(point.radii(inwards, shank_mm), blur.across_mm)
    lit = ndimage.gaussian_filter1d(lit, blur.along_mm / _FINE_MM, mode="nearest")
    shown = np.minimum(brighter * lit / _lit(np.array([shank_mm]), blur.across_mm)[0], 1.0)
    high, half, low = (float(np.interp(level, shown, inwards)) for level in _LEVELS)
    return half, high - low


def _lit(radii: FloatArray, across_mm: tuple[float, float]) -> FloatArray:
    """Return how bright the middle of a disc is after blur, 1 for a wide one."""
    turn = (np.arange(16) + 0.5) * math.pi / 16.0
    first, second = across_mm
    steep = (np.cos(turn) / first) ** 2 + (np.sin(turn) / second) ** 2
    dimmed = np.exp(-0.5 * radii[:, None] ** 2 * steep) / (first * second * steep)
    result: FloatArray = 1.0 - dimmed.mean(axis=1)
    return result


def beyond_half_mm(
    shank_mm: float, blur: Blur, fall_mm: float | None, brighter: float = 1.0
) -> tuple[float, float]:
    """Return how far the end lies beyond the half fall, mm, and its standard deviation.

    Parameters
    ----------
    shank_mm : the shank's radius
    blur : of the scan as the screw meets it
    fall_mm : over which brightness falls from three quarters to one, which tells a blunt end from
        a pointed one; None where it was not seen
    brighter : how many times as bright the metal is as the scale can show
    """
    radius = round(shank_mm * 4.0) / 4.0
    found = np.array([_crossings(point, radius, blur, round(brighter, 1)) for point in POINTS])
    fit = np.zeros(len(found)) if fall_mm is None else (found[:, 1] - fall_mm) / _WIDTH_SD_MM
    weights = np.exp(-0.5 * (fit**2 - (fit**2).min()))
    weights /= weights.sum()
    mean = float(weights @ found[:, 0])
    return mean, math.sqrt(float(weights @ (found[:, 0] - mean) ** 2) + 0.1**2)


@dataclass(frozen=True)
class TipFall:
    """How brightness along a screw's axis falls at its end.

    half_mm : depth along the line beyond which it stays below half
    fall_mm : over which it falls from three quarters to one, None where that was not seen
    """

    half_mm: float
    fall_mm: float | None


def tip_fall(
    voxels: Voxels, affine: ArrayLike, line: Line, sections: Sections, core_hu: float
) -> TipFall | None:
    """Return how brightness falls at a shank's end, None where it falls nowhere.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU
    affine : (4, 4), (i, j, k) to LPS mm
    line, sections : the shank's
    core_hu : along the shank's middle
    """
    end = float(sections.along_mm[sections.run.stop - 1])
    depths = end + np.arange(-7.0, 6.0, _FINE_MM)
    values = sample_points(voxels, affine, line.at(depths)).astype(float)
    beyond = max(float(np.median(values[-20:])), -1000.0)
    share = (values - beyond) / max(core_hu - beyond, 1.0)
    high, half, low = (_last_fall(depths, share, level) for level in _LEVELS)
    if half is None:
        return None
    return TipFall(half, None if high is None or low is None else low - high)


def _last_fall(depths: FloatArray, share: FloatArray, level: float) -> float | None:
    """Return the depth beyond which a profile stays below a level, None where it never does."""
    above = np.flatnonzero(share >= level)
    if len(above) == 0 or above[-1] == len(share) - 1:
        return None
    number = int(above[-1])
    part = (share[number] - level) / (share[number] - share[number + 1])
    return float(depths[number] + part * _FINE_MM)
