"""What a screw's metal adds to the brightness beside it, told by the screw itself.

Blur spreads metal beyond its edge. How far, the front of the shank tells, where marrow alone lies
beside it: brightness there, by distance from the metal's edge and by direction, is what the metal
adds along the whole shank.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from registry.measure.proposals.straight import SPACING_MM, sampled

if TYPE_CHECKING:
    from registry.measure.axes import FloatArray
    from registry.measure.proposals.straight import Straight
    from registry.measure.proposals.surfaces import Floats, Mask

TURNS = 64
STEP_MM = 0.1
FROM_MM, TO_MM = -0.5, 7.0
"""Distances from the metal's edge in which its brightness is told."""
SECTORS = 8
"""Of half a turn: blur is alike on opposite sides."""
GROUND_MM, GROUND_PERCENTILE = (3.0, 5.0), 30.0
"""What lies so far away is marrow without the metal's brightness, in most directions."""
LOW_MIDDLE_PERCENTILE = 40
"""Of places alike in distance and direction: cortex among them is brighter than marrow."""
ROUGHEST_MM = 0.25
"""Median distance from the fitted edge beyond which a section's edge is not told; ours."""
LEAST_SECTIONS = 6
_OF_THE_CORE, _CUT_OFF_EDGE_HU = 0.45, 2000.0
_CUT_OFF_HU = (3000.0, 3100.0)
"""Scanners of 12 bits cut brightness off between these; half of the metal's own isn't known."""
_FARTHEST_EDGE_MM = 2.5
_ROUND_SHARE = 0.7
_LEAST_PLACES, _LEAST_DISTANCES = 8, 10
_ROBUST_MM = 0.1


@dataclass(frozen=True, eq=False)
class OwnMetal:
    """A shank's edge in each section and what its metal adds beyond it.

    Attributes
    ----------
    edge_mm : (k, TURNS), from the axis; nan in sections where it is not told
    excess_hu : (SECTORS, n), by direction and by distance from the edge
    core_hu : what the metal's middle reads
    """

    edge_mm: FloatArray
    excess_hu: FloatArray
    core_hu: float

    @property
    def away_mm(self) -> FloatArray:
        """The distances from the edge, (n,)."""
        return np.asarray(np.arange(self.excess_hu.shape[1]) * STEP_MM + FROM_MM)


def find_own_metal(straight: Straight, radius_mm: float, length_mm: float) -> OwnMetal | None:
    """Return what a shank's metal adds beside itself, None where too little of it tells."""
    depths = straight.depths_mm
    shank = (depths > 0.0) & (depths < length_mm - 3.0)
    if not shank.any():
        return None
    radii = np.arange(0.0, radius_mm + 3.0, STEP_MM)
    turns = np.linspace(0.0, 2.0 * np.pi, TURNS, endpoint=False)
    circle = np.column_stack([np.cos(turns), np.sin(turns)])
    rays = sampled(straight.values, radii[None, None, :, None] * circle[None, :, None, :])
    core = float(np.median(rays[shank][:, :, : int(0.5 * radius_mm / STEP_MM)]))
    is_cut_off = _CUT_OFF_HU[0] < core < _CUT_OFF_HU[1]
    level = _CUT_OFF_EDGE_HU if is_cut_off else _OF_THE_CORE * core
    edge = _fitted(_edges(rays, radii, level, radius_mm), turns)
    edge[~((depths > -1.0) & (depths < length_mm - 0.5))] = np.nan
    marrow = (depths > 0.5 * length_mm) & (depths < length_mm - 3.0) & np.isfinite(edge[:, 0])
    if marrow.sum() < LEAST_SECTIONS:
        return None
    excess = _excess(straight.values[marrow], edge[marrow])
    return None if excess is None else OwnMetal(edge, excess, core)


def from_axis(count: int) -> tuple[FloatArray, FloatArray]:
    """Return each place's distance from a section's middle and its turn, (n, n) both."""
    ticks = (np.arange(count) - (count - 1) / 2.0) * SPACING_MM
    v, u = np.meshgrid(-ticks, ticks, indexing="ij")
    return np.hypot(u, v), np.arctan2(v, u) % (2.0 * np.pi)


def edge_at(edge_mm: FloatArray, turn: FloatArray) -> FloatArray:
    """Return the edge in any direction, (..., turns), of edges (..., TURNS)."""
    place = turn / (2.0 * np.pi) * TURNS
    low = np.floor(place).astype(np.intp)
    share = place - low
    before, after = edge_mm[..., low % TURNS], edge_mm[..., (low + 1) % TURNS]
    return np.asarray(before * (1.0 - share) + after * share)


def _edges(rays: Floats, radii: FloatArray, level: float, radius_mm: float) -> FloatArray:
    """Return where each ray first falls under the level, nan where not near the radius."""
    below = (rays < level) & (radii > 0.4 * radius_mm)
    at = below.argmax(axis=-1)
    before = np.maximum(at - 1, 0)
    high = np.take_along_axis(rays, before[..., None], -1)[..., 0]
    low = np.take_along_axis(rays, at[..., None], -1)[..., 0]
    share = np.clip((high - level) / np.maximum(high - low, 1e-6), 0.0, 1.0)
    place = (before + share) * STEP_MM
    found = below.any(axis=-1) & (at > 0) & (rays[..., 0] > level)
    found &= np.abs(place - radius_mm) < _FARTHEST_EDGE_MM
    return np.where(found, place, np.nan)


def _fitted(edge: FloatArray, turns: FloatArray) -> FloatArray:
    """Return each section's edge as a circle beside the axis, with the oval all sections share."""
    circle = np.column_stack([np.ones_like(turns), np.cos(turns), np.sin(turns)])
    twice = np.column_stack([np.cos(2.0 * turns), np.sin(2.0 * turns)])
    result = np.full(edge.shape, np.nan)
    is_told = np.isfinite(edge).mean(axis=1) > _ROUND_SHARE
    if not is_told.any():
        return result
    shared = np.zeros(len(turns))
    for _ in range(2):
        rest = np.full(edge.shape, np.nan)
        for k in np.flatnonzero(is_told):
            fit, rough = _robust(circle, edge[k] - shared)
            result[k] = circle @ fit + shared if rough < ROUGHEST_MM else np.nan
            rest[k] = edge[k] - circle @ fit
        good = np.isfinite(rest[is_told]).any(axis=0)
        middle = np.nanmedian(rest[is_told][:, good], axis=0)
        shared = twice @ np.linalg.lstsq(twice[good], middle, rcond=None)[0]
    return result


def _robust(design: FloatArray, values: FloatArray) -> tuple[FloatArray, float]:
    """Return the fit in which what lies far off counts less, and the median distance from it."""
    good = np.isfinite(values)
    rows, wanted = design[good], values[good]
    weight = np.ones(len(wanted))
    fit: FloatArray = np.zeros(design.shape[1])
    away = wanted
    for _ in range(5):
        found = np.linalg.lstsq(rows * weight[:, None], wanted * weight, rcond=None)[0]
        fit = np.asarray(found, dtype=np.float64)
        away = wanted - rows @ fit
        weight = 1.0 / np.sqrt(np.maximum(1.0, np.abs(away) / _ROBUST_MM))
    return fit, float(np.median(np.abs(away)))


def _excess(values: Floats, edge: FloatArray) -> FloatArray | None:
    """Return what metal adds by direction and distance.

    From places of the sections themselves, not from places between: where brightness is curved
    the mean of two places is too bright.
    """
    away = np.arange(FROM_MM, TO_MM, STEP_MM)
    radial, turn = from_axis(values.shape[1])
    near = radial < np.nanmax(edge) + TO_MM
    apart = radial[near] - edge_at(edge, turn[near])
    sector = np.rint(turn[near] / np.pi * SECTORS).astype(np.intp) % SECTORS
    found = np.full((SECTORS, len(away)), np.nan)
    for number in range(SECTORS):
        own = sector == number
        found[number] = _by_distance(apart[:, own].ravel(), values[:, near][:, own].ravel(), away)
    is_told = np.isfinite(found).all(axis=1)
    if not is_told.any():
        return None
    # Bright bands beside metal lie in one direction: what is beyond it in others is the ground.
    beyond = (away > GROUND_MM[0]) & (away < GROUND_MM[1])
    found -= np.percentile(np.median(found[is_told][:, beyond], axis=1), GROUND_PERCENTILE)
    found[~is_told] = found[is_told].mean(axis=0)
    found = ndimage.gaussian_filter(found, (0.5, 0.7), mode=("wrap", "nearest"))
    tail = away > 1.0
    falling = np.minimum.accumulate(found[:, tail], axis=1)
    bright = np.clip((TO_MM - away[tail]) / 3.0, 0.0, 1.0)
    dark = np.clip(GROUND_MM[0] - away[tail], 0.0, 1.0)
    found[:, tail] = falling * np.where(falling > 0.0, bright, dark)
    return np.asarray(found)


def _by_distance(apart: FloatArray, values: Floats, away: FloatArray) -> FloatArray:
    """Return a low middle of the values at each distance, nan where too few tell it."""
    number = np.rint((apart - FROM_MM) / STEP_MM).astype(np.intp)
    order = np.argsort(number)
    apart, values, number = apart[order], values[order], number[order]
    found = np.full(len(away), np.nan)
    for place, middle in enumerate(away):
        low, high = np.searchsorted(number, [place - 1, place + 2])
        if high - low >= _LEAST_PLACES:
            found[place] = _at_middle(apart[low:high] - middle, values[low:high])
    good: Mask = np.isfinite(found)
    if good.sum() < _LEAST_DISTANCES:
        return np.full(len(away), np.nan)
    return np.asarray(np.interp(away, away[good], found[good]))


def _at_middle(away: FloatArray, values: Floats) -> float:
    """Return a low middle of values at distance 0, from ones a little beside it."""
    slope = np.polyfit(away, values, 1)[0] if np.ptp(away) > 0.5 * STEP_MM else 0.0
    return float(np.percentile(values - slope * away, LOW_MIDDLE_PERCENTILE))
