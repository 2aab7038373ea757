"""Beam hardening: what metal's non-linear attenuation leaves in the slices, worked out coarsely."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    import numpy.typing as npt

    from .levels import Vector
    from .solids import Field

_ANGLES = 120
_STRONGEST_HU = 150.0
_TYPICAL_HU = 45.0


def streaks_from(metal: Field, spacing_mm: float) -> Field:
    """Return the error in Hounsfield units, shape of `metal` (slices, rows, columns).

    `metal` is each coarse voxel's share of metal, 0 to 1. Every slice is projected, the part of
    its attenuation that grows with the square of the path is filtered and projected back.
    """
    slices, rows, columns = metal.shape
    bins = int(np.ceil(np.hypot(rows, columns))) + 4
    slice_of, row_of, column_of = np.nonzero(metal > 0.02)  # noqa: PLR2004 - below it no metal worth following
    if slice_of.size == 0:
        return np.zeros(metal.shape, dtype=np.float32)
    weights = metal[slice_of, row_of, column_of] * np.float32(spacing_mm)
    row_place, column_place = np.mgrid[0:rows, 0:columns].astype(np.float32)
    row_place -= (rows - 1) / 2
    column_place -= (columns - 1) / 2
    frequency = fft.rfftfreq(2 * bins)
    # The ramp rolls off so that the coarse bins do not ring.
    ramp = frequency * np.square(np.cos(np.pi * frequency))
    error = np.zeros((rows * columns, slices), dtype=np.float32)
    for angle in np.arange(_ANGLES) * np.pi / _ANGLES:
        at = np.cos(angle) * column_place + np.sin(angle) * row_place + bins / 2
        projected = _projected(at[row_of, column_of], slice_of, weights, (slices, bins))
        # Metal looks thinner than it is along its long paths; the even part is left to the metal.
        mean_path = (projected**2).sum() / max(float(projected.sum()), 1e-6)
        hardened = mean_path * projected - projected**2
        spectrum = fft.rfft(hardened, n=2 * bins, axis=1) * ramp
        filtered = fft.irfft(spectrum, n=2 * bins, axis=1)[:, :bins].T.astype(np.float32)
        place = at.ravel()
        low = place.astype(np.int32)
        share = (place - low)[:, np.newaxis]
        error += filtered[low] * (1 - share) + filtered[low + 1] * share
    return _scaled(np.moveaxis(error.reshape(rows, columns, slices), 2, 0), metal)


def _projected(
    place: Field, slice_of: npt.NDArray[np.intp], weights: Field, shape: tuple[int, int]
) -> Vector:
    low = place.astype(np.int64)
    share = place - low
    flat = slice_of * shape[1] + low
    size = shape[0] * shape[1]
    total = np.bincount(flat, weights * (1 - share), minlength=size).astype(np.float64)
    total += np.bincount(flat + 1, weights * share, minlength=size)
    return total.reshape(shape)


def _scaled(error: Field, metal: Field) -> Field:
    """Scale the error to what titanium does outside itself, and hold it there."""
    outside = np.abs(error[metal < 0.02])  # noqa: PLR2004 - as above
    scale = _TYPICAL_HU / max(float(np.percentile(outside, 99.0)), 1e-6)
    return np.asarray(
        _STRONGEST_HU * np.tanh(error * np.float32(scale / _STRONGEST_HU)), dtype=np.float32
    )
