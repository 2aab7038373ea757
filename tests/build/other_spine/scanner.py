"""A parallel-beam scanner: shadows, photons, noise, filtering and back-projection.

Images lie in the scanner's plane, x along columns and y along rows, mm from the turning axis.
Slices come last in every array, so that one step serves all of them at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage, sparse

from tests.build.other_spine.physics import transmission, water_table

BIN_MM = 0.5
FINE = 6
BLOCK = 4096
FOCUS_BINS = 0.8
STARVED = 400.0


@dataclass(frozen=True)
class Scanner:
    """How a scan is taken.

    photons : a ray's count in air, for a slice of 1 mm
    scatter : scattered share of the mean open signal behind the patient
    scatter_corrected : how much of the scatter the scanner takes off again
    electronics : standard deviation of the electronics, in counts
    kernel : 'smooth' or 'sharp'
    """

    angles: int = 360
    photons: float = 2.0e6
    scatter: float = 0.0006
    scatter_corrected: float = 0.8
    electronics: float = 8.0
    kernel: str = "smooth"
    noise: float = 1.0
    slice_mm: float = 0.8

    @property
    def turns(self):
        return np.arange(self.angles) * np.pi / self.angles


class Bench:
    """The scanner's geometry for one field: forward and back."""

    def __init__(self, scanner: Scanner, drawn_mm: float, wide_mm: float):
        self.scanner = scanner
        self.inner = int(2 * np.ceil(drawn_mm / 2 / BIN_MM) + 4)
        self.outer = int(2 * np.ceil(wide_mm / 2 / BIN_MM))
        self.bins = (np.arange(self.outer) - (self.outer - 1) / 2) * BIN_MM
        self.first = (self.outer - self.inner) // 2
        self.table = water_table()

    @property
    def inner_bins(self):
        return self.bins[self.first : self.first + self.inner]

    def shadows(self, values, x, y, pixel_mm):
        """Return line integrals in cm, (angle, bin, column of values).

        values : (pixels, n) shares; x, y : (pixels,) mm; a pixel's shadow is split between the
        two nearest bins
        """
        pixels, columns = values.shape
        out = np.empty((self.scanner.angles, self.inner, columns), dtype=np.float32)
        starts = np.arange(0, 2 * pixels + 1, 2)
        weight = np.float32(0.1 * pixel_mm * pixel_mm / BIN_MM)
        for number, turn in enumerate(self.scanner.turns):
            at = (x * np.cos(turn) + y * np.sin(turn)) / BIN_MM + (self.inner - 1) / 2
            low = np.floor(at).astype(np.int32)
            share = (at - low).astype(np.float32)
            weights = np.stack([(1 - share) * weight, share * weight], axis=1).ravel()
            bins = np.stack([low, low + 1], axis=1).ravel()
            matrix = sparse.csc_array((weights, bins, starts), shape=(self.inner, pixels))
            out[number] = matrix @ values
        return out

    def detected(self, body_cm, shares_cm, thin, rng):
        """Return lengths of water in cm as the scanner believes them, (angle, bin, slice).

        body_cm : (angle, all bins) of the ellipses
        shares_cm : water, bone and metals by alloy, each (angle, inner bin, slice x thin)
        """
        s = self.scanner
        counts = s.photons * s.slice_mm / s.noise**2
        outside = self._outside(body_cm)
        window = body_cm[:, self.first : self.first + self.inner, None].astype(np.float32)
        left = transmission(window + shares_cm[0], shares_cm[1], shares_cm[2])
        left = left.reshape(*left.shape[:2], -1, thin).mean(axis=3)
        # The focal spot and the detector's pitch blur the signal, not its logarithm.
        left = ndimage.gaussian_filter1d(left, FOCUS_BINS, axis=1)
        spread = s.scatter * np.ones_like(left[:, :1])
        expected = counts * (left + spread)
        noisy = expected + np.sqrt(expected) * rng.standard_normal(left.shape, dtype=np.float32)
        few = expected < 60.0
        if few.any():
            noisy[few] = rng.poisson(expected[few])
        noisy += s.electronics * rng.standard_normal(left.shape, dtype=np.float32)
        noisy = noisy - counts * s.scatter_corrected * spread
        noisy = _calmed(noisy)
        # Under the range nothing is told from nothing: a floor of some electrons.
        noisy = np.maximum(noisy, 0.35 * s.electronics)
        lines = -np.log(noisy / counts)
        inner = np.interp(lines, *self.table).astype(np.float32)
        full = np.repeat(outside[:, :, None], inner.shape[2], axis=2)
        full[:, self.first : self.first + self.inner] = inner
        return full

    def _outside(self, body_cm):
        none = np.zeros_like(body_cm)
        left = transmission(body_cm, none, {})
        left = left + self.scanner.scatter * (1 - self.scanner.scatter_corrected)
        return np.interp(-np.log(left), *self.table).astype(np.float32)

    def filtered(self, lengths):
        """Return ramp-filtered projections, `FINE` times finer, of the inner bins."""
        size = fft.next_fast_len(2 * self.outer)
        offset = np.arange(size)
        offset = np.minimum(offset, size - offset)
        odd = offset % 2 == 1
        taps = np.where(odd, -1.0 / (np.pi * np.maximum(offset, 1) * BIN_MM) ** 2, 0.0)
        taps[0] = 1.0 / (2 * BIN_MM) ** 2
        ramp = np.real(fft.rfft(taps)) * BIN_MM
        where = np.linspace(0, 1, len(ramp))
        if self.scanner.kernel == "smooth":
            window = 0.5 * (1 + np.cos(np.pi * np.clip(where / 0.95, 0, 1)))
        else:
            window = (1 + 0.9 * where**2) * np.clip((1 - where) / 0.15, 0, 1)
        spectrum = fft.rfft(lengths, size, axis=1) * (ramp * window)[None, :, None].astype(
            np.float32
        )
        around = slice(self.first - 2, self.first + self.inner + 2)
        return fft.irfft(spectrum, size, axis=1)[:, around]

    def back(self, lengths, x, y):
        """Return HU, (pixels, slices), at pixels x, y (mm)."""
        fine = self.filtered(lengths)
        total = np.zeros((len(x), lengths.shape[2]), dtype=np.float32)
        start = self.bins[self.first - 2]
        steps = fine.shape[1]
        grid = np.arange((steps - 1) * FINE + 1)
        low = grid // FINE
        share = ((grid % FINE) / FINE).astype(np.float32)[:, None]
        upper = np.minimum(low + 1, steps - 1)
        held = np.empty((min(BLOCK, len(x)), lengths.shape[2]), dtype=np.float32)
        for number, turn in enumerate(self.scanner.turns):
            line = fine[number]
            dense = line[low] * (1 - share) + line[upper] * share
            at = (x * np.cos(turn) + y * np.sin(turn) - start) / BIN_MM * FINE
            index = np.rint(at).astype(np.intp)
            for first in range(0, len(x), BLOCK):
                part = slice(first, first + BLOCK)
                taken = held[: len(index[part])]
                np.take(dense, index[part], axis=0, out=taken, mode="clip")
                total[part] += taken
        per_cm = total * np.float32(np.pi / self.scanner.angles * 10.0)
        return 1000.0 * (per_cm - 1.0)


def _calmed(counts):
    """Return counts with the rays of few photons smoothed along the detector.

    Scanners do so against streaks; the rule's limits are ours (common practice, no source).
    """
    if counts.min() > STARVED:
        return counts
    calm = ndimage.gaussian_filter1d(counts, 1.5, axis=1)
    share = np.clip(1.0 - calm / STARVED, 0.0, 1.0)
    return counts + share * (calm - counts)
