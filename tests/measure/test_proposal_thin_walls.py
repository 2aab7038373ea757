"""By how much a thin wall of bone looks farther out than it is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from registry.measure.proposals.surfaces import fall_places
from registry.measure.proposals.thin_walls import MOST_MM, SHIFT, thin_wall_shifts


@pytest.mark.parametrize("share", [0.05, 0.2, 0.5, 0.7, 0.9, 0.98])
def test_the_straight_line_is_the_exact_shift_of_a_blurred_sheet(share: float) -> None:
    """Solved numerically with scipy's normal distribution; the blur is 1."""
    half_width = float(norm.ppf((1.0 + share) / 2.0))

    def beyond_half(place: float) -> float:
        blurred = norm.cdf(place + half_width) - norm.cdf(place - half_width)
        return float(blurred - share / 2.0)

    shift = brentq(beyond_half, 0.0, half_width + 8.0) - half_width
    assert SHIFT * (1.0 - share) == pytest.approx(shift, abs=0.02)


def test_a_wall_of_changing_thickness_is_found_where_it_is() -> None:
    """A drawn wall, thick on one side and thin on the other, blurred by 0.6 mm."""
    outwards = np.arange(1.0, 15.01, 0.25)
    turns = np.linspace(0.0, 2.0 * np.pi, 64, endpoint=False)
    outside = 7.0 + 0.5 * np.cos(turns)
    thickness = 1.7 + 1.1 * np.cos(turns)
    inner, outer = outside - thickness, outside
    blur = 0.6
    bone = norm.cdf((outer[:, None] - outwards) / blur)
    bone = bone - norm.cdf((inner[:, None] - outwards) / blur)
    profiles = np.repeat((50.0 + 1000.0 * bone)[None], 9, axis=0).astype(np.float32)
    numbers = np.repeat(np.rint((outside - 1.0) / 0.25).astype(np.intp)[None], 9, axis=0)
    seen = np.ones(numbers.shape, dtype=bool)
    plain = fall_places(profiles, numbers, 0.25, 1.0)
    shifted = plain - thin_wall_shifts(profiles, numbers, 0.25, seen)
    assert np.abs(plain - outside).max() > 0.25
    assert np.abs(shifted - outside).max() < 0.12


def test_too_little_that_is_seen_shifts_nothing_and_nothing_shifts_far() -> None:
    rng = np.random.default_rng(2)
    profiles = rng.normal(100.0, 60.0, (6, 16, 57)).astype(np.float32)
    numbers = np.full((6, 16), 24, dtype=np.intp)
    nothing = np.zeros(numbers.shape, dtype=bool)
    assert not thin_wall_shifts(profiles, numbers, 0.25, nothing).any()
    shifts = thin_wall_shifts(profiles, numbers, 0.25, ~nothing)
    assert (shifts >= 0.0).all()
    assert (shifts <= MOST_MM).all()
