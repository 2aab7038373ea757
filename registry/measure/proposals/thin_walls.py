"""By how much a thin wall of bone looks farther out than it is.

The outside of thick cortex lies where half of its brightness is left. A wall thinner than the
picture's blur never reaches compact bone's full brightness, and half of what it reaches lies
outside it. Blur and thickness of such a wall cannot be told from its profile alone; they can once
compact bone's brightness is held to be known, as in: Treece GM, Gee AH, Mayhew PM, Poole KES. High
resolution cortical bone thickness measurement from clinical CT data. Medical Image Analysis 2010;
14(3):276-290.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

if TYPE_CHECKING:
    from registry.measure.axes import FloatArray
    from registry.measure.proposals.surfaces import Floats, Mask

SHIFT = 1.18
"""A sheet of width w under a Gaussian blur s reaches the share p = 2 F(w / 2s) - 1 of its full
brightness, F the normal distribution; half of that lies 1.18 s (1 - p) outside the sheet, within
0.02 s for every p from 0 to 1. The limit at p = 0 is sqrt(2 ln 2) = 1.177."""
FLATTER, BY_SHARE = 0.658, 0.342
"""Height by steepest fall is sqrt(2 pi) s for thick bone and 0.658 + 0.342 p^3 of that for a sheet,
within 0.01 for every p; the limit at p = 0 is sqrt(e / 2 pi) = 0.658."""
COMPACT_HU = 1150.0
"""About how much brighter compact bone is than soft tissue; common practice, no source. It need not
be exact: a tenth more or less moves a wall that reaches two thirds of it by 0.04 of the blur."""
FULL_PERCENTILE, SHARP_PERCENTILE = 90.0, 25.0
LEAST_SEEN = 30
MOST_MM = 0.6
_INWARDS_MM, _OUTWARDS_MM = 2.0, 1.75
_SMOOTH = (1.0, 2.0)


def thin_wall_shifts(
    profiles: Floats,
    radii_mm: FloatArray,
    step_mm: float,
    first_mm: float,
    is_seen: Mask,
    compact_hu: float = 0.0,
) -> FloatArray:
    """Return by how much each place of a surface is to be taken inwards, mm, 0 to 0.6.

    Profiles are laid with their half falls on one another and averaged with their neighbours', so
    that grain makes neither height nor fall larger. The full brightness is at least what the
    brightest tenth of the surface reaches and about `compact_hu` at most: the middle of their
    logarithms is taken. Thick slices blur a wall that they cross more than one that stands across
    them; but such a wall bends within a slice, too, which flattens its fall without moving it. So
    the blur is in the middle between each place's own and that of the sharpest quarter.

    Parameters
    ----------
    profiles : (a, b, numbers), values outwards
    radii_mm : (a, b), where brightness has fallen half way
    step_mm : from one number to the next
    first_mm : place of number 0
    is_seen : (a, b), where the surface shows
    compact_hu : how much brighter compact bone is than what lies outside it; 0 where the surface
        is known to be no compact bone
    """
    if np.count_nonzero(is_seen) < LEAST_SEEN:
        return np.zeros(radii_mm.shape)
    mean = _neighbours_mean(_laid_on_half(profiles, radii_mm, step_mm, first_mm), is_seen)
    inwards = round(_INWARDS_MM / step_mm)
    height = mean[..., : inwards + 1].max(axis=-1) - mean[..., inwards:].min(axis=-1)
    height = np.maximum(height, 1e-6)
    steepest = np.maximum((-np.diff(mean, axis=-1)).max(axis=-1) / step_mm, 1e-6)
    full = float(np.percentile(height[is_seen], FULL_PERCENTILE))
    full = float(np.sqrt(full * max(full, compact_hu)))
    share = np.clip(height / full, 0.0, 1.0)
    blur = height / steepest / np.sqrt(2.0 * np.pi) / (FLATTER + BY_SHARE * share**3)
    blur = np.sqrt(blur * float(np.percentile(blur[is_seen], SHARP_PERCENTILE)))
    return np.asarray(np.clip(SHIFT * blur * (1.0 - share), 0.0, MOST_MM))


def _laid_on_half(
    profiles: Floats, radii_mm: FloatArray, step_mm: float, first_mm: float
) -> FloatArray:
    """Return each profile from 2 mm within its half fall to 1.75 mm beyond, (a, b, n)."""
    steps = np.arange(-round(_INWARDS_MM / step_mm), round(_OUTWARDS_MM / step_mm) + 1)
    place = (radii_mm[..., None] - first_mm) / step_mm + steps
    place = np.clip(place, 0.0, profiles.shape[-1] - 1.001)
    low = np.floor(place).astype(np.intp)
    before = np.take_along_axis(profiles, low, axis=-1).astype(np.float64)
    after = np.take_along_axis(profiles, low + 1, axis=-1).astype(np.float64)
    return np.asarray(before + (place - low) * (after - before))


def _neighbours_mean(laid: FloatArray, is_seen: Mask) -> FloatArray:
    """Return each profile averaged with those about it that show the surface."""
    weight = is_seen.astype(np.float64)
    total = ndimage.gaussian_filter(
        laid * weight[..., None], (*_SMOOTH, 0.0), mode=("nearest", "wrap", "nearest")
    )
    known = ndimage.gaussian_filter(weight, _SMOOTH, mode=("nearest", "wrap"))
    return np.asarray(total / np.maximum(known, 1e-3)[..., None])
