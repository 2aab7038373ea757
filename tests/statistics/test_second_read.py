"""Rates corrected for partial second reading, against a full second reading of the same screws."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from reports.statistics.clustered import UnitClustering, clustered_interval
from reports.statistics.second_read import SecondReads, corrected_rate
from tests.build.partial_years import EVENT_MM, simulated_years

UNIT = UnitClustering(patients=20, patients_with_event=3, rho=0.1)


def screws(first, final, share, drawn, patients=None):
    n = len(first)
    return SecondReads(
        np.arange(n) // 2 if patients is None else np.array(patients),
        np.array(first, dtype=bool),
        np.array(final, dtype=bool),
        np.array(share, dtype=float),
        np.array(drawn, dtype=bool),
    )


def test_over_every_draw_the_mean_is_the_rate_of_a_full_second_reading():
    # Counted out, not sampled: 4 certain screws, 8 of the rest, every way to draw 3 of them.
    first = [1, 1, 0, 0, 0, 0, 1, 0, 0, 0, 1, 0]
    final = [1, 0, 0, 1, 1, 0, 0, 0, 1, 0, 1, 0]
    share = [1.0] * 4 + [0.3] * 8
    found = []
    for chosen in combinations(range(4, 12), 3):
        drawn = [number in chosen for number in range(12)]
        result = corrected_rate(screws(first, final, share, drawn), UNIT)
        # By the formula itself where no clip at 0 or 1 came in between.
        missed = sum(final[i] and not first[i] for i in chosen)
        only_first = sum(first[i] and not final[i] for i in chosen)
        by_hand = (2 + 2 + 8 * (missed - only_first) / 3) / 12
        assert result.rate == pytest.approx(min(max(by_hand, 0), 1), abs=1e-12)
        found.append(by_hand)
    assert np.mean(found) == pytest.approx(sum(final) / 12, abs=1e-12)


def test_two_shares_are_each_weighted_by_their_own_screws():
    first, final = [0] * 10, [1, 0, 0, 0, 0, 0, 1, 0, 0, 0]
    share = [0.5] * 6 + [0.25] * 4
    result = corrected_rate(screws(first, final, share, [1, 1, 1, 0, 0, 0, 1, 1, 0, 0]), UNIT)
    assert result.rate == pytest.approx((6 * 1 / 3 + 4 * 1 / 2) / 10)
    assert (result.rest, result.drawn, result.missed, result.only_first) == (10, 5, 2, 0)


def test_with_every_screw_certain_it_is_the_default_interval():
    first, final = [0, 1, 0, 1, 0, 0, 0, 0], [1, 1, 0, 0, 0, 0, 0, 0]
    result = corrected_rate(screws(first, final, [1.0] * 8, [0] * 8), UNIT)
    default = clustered_interval([2, 0, 0, 0], [2, 2, 2, 2], UNIT)
    assert result.rate == default.rate
    limits = (default.interval.low, default.interval.high)
    assert (result.interval.low, result.interval.high) == pytest.approx(limits, abs=1e-12)
    assert result.rest == 0


def test_nothing_found_in_a_small_draw_leaves_more_open_than_a_full_reading():
    nothing = [0] * 40
    few = corrected_rate(screws(nothing, nothing, [0.1] * 40, [1] * 4 + [0] * 36), UNIT)
    many = corrected_rate(screws(nothing, nothing, [0.9] * 40, [1] * 36 + [0] * 4), UNIT)
    assert few.rate == many.rate == few.interval.low == many.interval.low == 0
    assert few.interval.high > many.interval.high > 0
    assert few.interval.high > 3 / 4 * 0.5  # 3/n of the four that were drawn, at the least half


def test_a_share_of_which_nothing_was_read_twice_cannot_be_corrected():
    assert corrected_rate(screws([0] * 4, [0] * 4, [0.1] * 4, [0] * 4), UNIT) is None


@pytest.mark.parametrize(("share", "length"), [([0.0, 1.0], 2), ([1.1, 1.0], 2), ([1.0], 2)])
def test_shares_that_cannot_be_are_refused(share, length):
    with pytest.raises(ValueError, match=r"share|length"):
        screws([0] * length, [0] * length, share, [0] * length)


def test_a_simulated_year_is_corrected_without_bias_and_the_uncorrected_rate_is_too_low():
    years = simulated_years(years=300, seed=20260331)
    corrected = years.corrected - years.full
    uncorrected = years.uncorrected - years.full
    error = corrected.std(ddof=1) / np.sqrt(len(corrected))
    print(
        f"\n{len(years.full)} years at {EVENT_MM} mm: full {years.full.mean():.4f}, corrected "
        f"{years.corrected.mean():.4f} (bias {corrected.mean():+.4f}, error {error:.4f}), "
        f"uncorrected {years.uncorrected.mean():.4f} (bias {uncorrected.mean():+.4f}); the "
        f"corrected interval holds the full rate in {years.covered.mean():.1%}"
    )
    assert abs(corrected.mean()) < 3 * error
    spread = uncorrected.std(ddof=1) / np.sqrt(len(uncorrected))
    assert uncorrected.mean() < -5 * spread
    assert years.covered.mean() > 0.9
