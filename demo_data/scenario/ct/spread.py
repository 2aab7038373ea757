"""Textures, and coarse volumes spread over a finer grid."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

if TYPE_CHECKING:
    from .solids import Field

COARSE_STEP = 2


def _interpolation(coarse: int, step: int, fine: int) -> Field:
    """Return the matrix (fine, coarse) that interpolates linearly between every step-th line."""
    place = np.minimum(np.arange(fine) / step, coarse - 1)
    low = np.minimum(place.astype(int), max(coarse - 2, 0))
    share = place - low
    matrix = np.zeros((fine, coarse), dtype=np.float32)
    matrix[np.arange(fine), low] = 1 - share
    if coarse > 1:
        matrix[np.arange(fine), low + 1] += share
    return matrix


def add_upsampled(volume: Field, coarse: Field, step: int) -> None:
    """Add a coarse volume to the fine one, spread linearly: `step` in plane, two along z."""
    rows = _interpolation(coarse.shape[1], step, volume.shape[1])
    columns = _interpolation(coarse.shape[2], step, volume.shape[2]).T
    below = rows @ coarse[0] @ columns
    for low in range(len(coarse)):
        above = rows @ coarse[low + 1] @ columns if low + 1 < len(coarse) else below
        for k in range(low * COARSE_STEP, min((low + 1) * COARSE_STEP, len(volume))):
            share = np.float32(k / COARSE_STEP - low)
            volume[k] += below * (1 - share) + above * share
        below = above


def texture(
    generator: np.random.Generator, shape: tuple[int, ...], sigma: tuple[float, float, float]
) -> Field:
    """Return smoothed noise of unit spread."""
    field = generator.standard_normal(shape, dtype=np.float32)
    for axis, width in enumerate(sigma):
        if width > 0:
            field = ndimage.gaussian_filter1d(field, width, axis=axis, mode="wrap", truncate=3.0)
    return np.asarray(field / field.std(), dtype=np.float32)
