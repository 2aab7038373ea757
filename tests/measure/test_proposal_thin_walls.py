"""By how much a thin wall of bone looks farther out than it is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar
from scipy.stats import norm

from registry.measure.proposals.surfaces import fall_places
from registry.measure.proposals.thin_walls import (
    BY_SHARE,
    COMPACT_HU,
    FLATTER,
    MOST_MM,
    SHIFT,
    thin_wall_shifts,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from registry.measure.axes import FloatArray
    from registry.measure.proposals.surfaces import Floats

SHARES = [0.05, 0.2, 0.5, 0.7, 0.9, 0.98]
OUTWARDS = np.arange(1.0, 15.01, 0.25)
TURNS = np.linspace(0.0, 2.0 * np.pi, 64, endpoint=False)


@pytest.mark.parametrize("share", SHARES)
def test_the_straight_line_is_the_exact_shift_of_a_blurred_sheet(share: float) -> None:
    """Solved numerically with scipy's normal distribution; the blur is 1."""
    half_width = float(norm.ppf((1.0 + share) / 2.0))

    def beyond_half(place: float) -> float:
        blurred = norm.cdf(place + half_width) - norm.cdf(place - half_width)
        return float(blurred - share / 2.0)

    shift = brentq(beyond_half, 0.0, half_width + 8.0) - half_width
    assert SHIFT * (1.0 - share) == pytest.approx(shift, abs=0.02)


@pytest.mark.parametrize("share", SHARES)
def test_the_blur_is_told_from_how_steeply_a_sheet_of_that_share_falls(share: float) -> None:
    """Steepest fall found numerically with scipy's normal distribution; the blur is 1."""
    half_width = float(norm.ppf((1.0 + share) / 2.0))
    steepest = -minimize_scalar(
        lambda place: norm.pdf(place + half_width) - norm.pdf(place - half_width),
        bounds=(half_width - 0.5, half_width + 1.5),
        method="bounded",
    ).fun
    told = share / steepest / np.sqrt(2.0 * np.pi)
    assert told == pytest.approx(FLATTER + BY_SHARE * share**3, abs=0.01)


def _profiles(
    outside: FloatArray, thickness: FloatArray, blur: float, bright_hu: float = 1000.0
) -> tuple[Floats, NDArray[np.intp]]:
    """Return a drawn wall's profiles and the numbers nearest to its outside."""
    bone = norm.cdf((outside[:, None] - OUTWARDS) / blur)
    bone = bone - norm.cdf(((outside - thickness)[:, None] - OUTWARDS) / blur)
    profiles = np.repeat((50.0 + bright_hu * bone)[None], 9, axis=0)
    numbers = np.rint((outside - 1.0) / 0.25).astype(np.intp)
    return profiles.astype(np.float32), np.repeat(numbers[None], 9, axis=0)


def test_a_wall_of_changing_thickness_is_found_where_it_is() -> None:
    """A drawn wall, thick on one side and thin on the other, blurred by 0.6 mm."""
    outside = 7.0 + 0.5 * np.cos(TURNS)
    profiles, numbers = _profiles(outside, 1.7 + 1.1 * np.cos(TURNS), 0.6)
    seen = np.ones(numbers.shape, dtype=bool)
    plain = fall_places(profiles, numbers, 0.25, 1.0)
    shifted = plain - thin_wall_shifts(profiles, plain, 0.25, 1.0, seen)
    assert np.abs(plain - outside).max() > 0.25
    assert np.abs(shifted - outside).max() < 0.12


@pytest.mark.parametrize("bright_hu", [950.0, 1150.0, 1350.0])
@pytest.mark.parametrize("thickness_mm", [0.8, 1.2, 2.5])
def test_a_wall_that_is_thin_all_round_is_found_nearer_to_where_it_is(
    bright_hu: float, thickness_mm: float
) -> None:
    """Compact bone a sixth brighter or duller than is taken for granted; blurred by 0.6 mm.

    Blur and thickness of such a wall cannot be told apart, so that part of the error stays.
    """
    outside = np.full(64, 7.0)
    thickness = np.full(64, thickness_mm)
    profiles, numbers = _profiles(outside, thickness, 0.6, bright_hu=bright_hu)
    grain = np.random.default_rng(7).normal(0.0, 40.0, profiles.shape)
    profiles = (profiles + grain).astype(np.float32)
    seen = np.ones(numbers.shape, dtype=bool)
    plain = fall_places(profiles, numbers, 0.25, 1.0)
    shifted = plain - thin_wall_shifts(profiles, plain, 0.25, 1.0, seen, COMPACT_HU)
    before, after = (abs(float(np.median(each - outside))) for each in (plain, shifted))
    assert after < 0.25
    assert after < 0.7 * before + 0.06


def test_too_little_that_is_seen_shifts_nothing_and_nothing_shifts_far() -> None:
    rng = np.random.default_rng(2)
    profiles = rng.normal(100.0, 60.0, (6, 16, 57)).astype(np.float32)
    radii = np.full((6, 16), 7.0)
    nothing = np.zeros(radii.shape, dtype=bool)
    assert not thin_wall_shifts(profiles, radii, 0.25, 1.0, nothing).any()
    shifts = thin_wall_shifts(profiles, radii, 0.25, 1.0, ~nothing)
    assert (shifts >= 0.0).all()
    assert (shifts <= MOST_MM).all()
