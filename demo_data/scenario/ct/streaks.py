"""Beam hardening: what metal's non-linear attenuation leaves in the slices, worked out coarsely."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    import numpy.typing as npt

    from .levels import Vector
    from .solids import Field

_ANGLES = 120
_STARVED_MM = 12.0


@dataclass(frozen=True)
class StreakLook:
    """How strong streaks are, in Hounsfield units outside the metal.

    `starved` is the strength of the grainy streaks along rays that metal left almost without
    photons, as a share of the even ones; they are drawn from `seed`.
    """

    strongest_hu: float = 150.0
    typical_hu: float = 45.0
    starved: float = 0.0
    seed: int = 0


def streaks_from(metal: Field, spacing_mm: float, look: StreakLook | None = None) -> Field:
    """Return the error in Hounsfield units, shape of `metal` (slices, rows, columns).

    `metal` is each coarse voxel's share of metal, 0 to 1. Every slice is projected, the part of
    its attenuation that grows with the square of the path is filtered and projected back.
    """
    look = look or StreakLook()
    generator = np.random.default_rng(look.seed)
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
        if look.starved:
            hardened += look.starved * _starved(projected, generator)
        spectrum = fft.rfft(hardened, n=2 * bins, axis=1) * ramp
        filtered = fft.irfft(spectrum, n=2 * bins, axis=1)[:, :bins].T.astype(np.float32)
        place = at.ravel()
        low = place.astype(np.int32)
        share = (place - low)[:, np.newaxis]
        error += filtered[low] * (1 - share) + filtered[low + 1] * share
    return _scaled(np.moveaxis(error.reshape(rows, columns, slices), 2, 0), metal, look)


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


def _starved(projected: Vector, generator: np.random.Generator) -> Vector:
    """Return noise that grows as the photons of a ray dwindle in metal."""
    growth = np.expm1(np.minimum(projected, 3 * _STARVED_MM) / _STARVED_MM)
    return np.asarray(growth * generator.standard_normal(projected.shape) * _STARVED_MM**2)


def _scaled(error: Field, metal: Field, look: StreakLook) -> Field:
    """Scale the error to what the metal does outside itself, and hold it there."""
    outside = np.abs(error[metal < 0.02])  # noqa: PLR2004 - as above
    scale = look.typical_hu / max(float(np.percentile(outside, 99.0)), 1e-6)
    strongest = look.strongest_hu
    return np.asarray(strongest * np.tanh(error * np.float32(scale / strongest)), dtype=np.float32)
