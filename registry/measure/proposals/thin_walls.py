"""By how much a thin wall of bone looks farther out than it is.

The outside of thick cortex lies where half of its brightness is left. A wall thinner than the
picture's blur never reaches cortex's full brightness, and half of what it reaches lies outside it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from registry.measure.axes import FloatArray
    from registry.measure.proposals.surfaces import Floats, Mask

SHIFT = 1.18
"""A sheet of width w under a Gaussian blur s reaches the share p = 2 F(w / 2s) - 1 of its full
brightness, F the normal distribution; half of that lies 1.18 s (1 - p) outside the sheet, within
0.02 s for every p from 0 to 1. The limit at p = 0 is sqrt(2 ln 2) = 1.177."""
FULL_PERCENTILE = 90.0
THICK_SHARE = 0.85
LEAST_SEEN = 30
MOST_MM = 0.6
_SMOOTH = (1.0, 2.0)


def thin_wall_shifts(
    profiles: Floats, numbers: NDArray[np.intp], step_mm: float, is_seen: Mask
) -> FloatArray:
    """Return by how much each place of a surface is to be taken inwards, mm, 0 to 0.6.

    The full brightness is what the brightest tenth of the surface reaches; the blur is taken from
    how steeply brightness falls there. Where all of a surface is thin, it is taken inwards less
    than it should be, never more.

    Parameters
    ----------
    profiles : (a, b, numbers), values outwards
    numbers : (a, b), the surface
    step_mm : from one number to the next
    is_seen : (a, b), where the surface shows
    """
    if np.count_nonzero(is_seen) < LEAST_SEEN:
        return np.zeros(numbers.shape)
    inwards, outwards = round(2.0 / step_mm), round(1.75 / step_mm)
    window = np.arange(-inwards, outwards + 1)
    index = np.clip(numbers[..., None] + window, 0, profiles.shape[-1] - 1)
    near = np.take_along_axis(profiles, index, axis=-1).astype(np.float64)
    height = near[..., : inwards + 3].max(axis=-1) - near[..., inwards:].min(axis=-1)
    steepest = (-np.diff(near, axis=-1)).max(axis=-1) / step_mm
    full = float(np.percentile(height[is_seen], FULL_PERCENTILE))
    is_thick = is_seen & (height >= THICK_SHARE * full)
    blur = float(np.median(height[is_thick] / np.maximum(steepest[is_thick], 1e-6)))
    blur /= float(np.sqrt(2.0 * np.pi))
    weight = is_seen.astype(np.float64)
    smooth = ndimage.gaussian_filter(height * weight, _SMOOTH, mode=("nearest", "wrap"))
    smooth /= np.maximum(ndimage.gaussian_filter(weight, _SMOOTH, mode=("nearest", "wrap")), 1e-3)
    share = np.clip(smooth / max(full, 1e-6), 0.0, 1.0)
    return np.asarray(np.minimum(SHIFT * blur * (1.0 - share), MOST_MM))
