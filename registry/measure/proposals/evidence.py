"""How much a place looks like the outside of bone, along lines that lead outwards.

Three things tell it: brightness falls outwards, what lies beyond is dark, what lies within is
bright. Each is a number up to 1 at every place of every line; a wall takes their product.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

if TYPE_CHECKING:
    from registry.measure.axes import FloatArray
    from registry.measure.proposals.straight import Tissue
    from registry.measure.proposals.surfaces import Floats

STEEPEST_RISE = -0.6
"""A rise counts against a place by no more than this."""
_PLATE_DARK_SHARE = 0.5


def falls(
    lines: Floats, tissue: Tissue, sigma: float, full_hu_mm: float, blur: FloatArray | float = 1.0
) -> Floats:
    """Return how steeply brightness falls outwards, 1 at a wall that is well seen.

    Parameters
    ----------
    lines : (a, b, numbers), HU
    sigma : of the smoothing along a line, in places
    full_hu_mm : the share of the contrast that a well seen wall falls by from one place to the
        next, divided by their distance
    blur : how much flatter than usual the wall is drawn
    """
    slope = ndimage.gaussian_filter1d(lines, sigma, axis=2, order=1)
    fall: Floats = np.clip(-slope * blur / (tissue.contrast_hu * full_hu_mm), STEEPEST_RISE, 1.0)
    return fall


def dark_beyond(lines: Floats, tissue: Tissue, places: int, share: float) -> Floats:
    """Return how dark it is `places` farther out: 0 from this share of the contrast on."""
    beyond = ndimage.uniform_filter1d(np.roll(lines, -places, axis=2), 5, axis=2)
    dark: Floats = 1.0 - np.clip((beyond - tissue.soft_hu) / (share * tissue.contrast_hu), 0.0, 1.0)
    return dark


def bright_within(lines: Floats, tissue: Tissue) -> Floats:
    """Return how bright it is three places farther in: 1 from half of the contrast on."""
    within = ndimage.uniform_filter1d(np.roll(lines, 3, axis=2), 3, axis=2)
    bright: Floats = np.clip(2.0 * (within - tissue.soft_hu) / tissue.contrast_hu, 0.0, 1.0)
    return bright


def thin_wall(
    lines: Floats, tissue: Tissue, sigma: float, full_hu_mm: float, blur: float = 1.0
) -> Floats:
    """Return the evidence of a body's wall or endplate: a fall with darkness beyond it."""
    dark = dark_beyond(lines, tissue, 5, _PLATE_DARK_SHARE)
    found: Floats = falls(lines, tissue, sigma, full_hu_mm, blur) * dark
    return found
