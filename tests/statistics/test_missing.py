from __future__ import annotations

import numpy as np
import pytest

from reports.statistics.missing import Observed, bounds, like_the_observed, with_assumed
from tests.build.partly_observed import drawn, known_of, share_held


def test_bounds_of_nothing_and_of_all():
    assert bounds(0, 0, 0) is None
    assert bounds(0, 0, 7) == (0, 1)
    assert bounds(3, 10, 0) == (0.3, 0.3)
    with pytest.raises(ValueError, match="4 events among 3"):
        bounds(4, 3, 0)


def test_the_standardised_rate_is_a_plain_sum_over_strata():
    screws, _ = drawn(np.random.default_rng(5), 60, 0.1)
    expected = 0.0
    for stratum in (0, 1):
        inside = screws.stratum == stratum
        seen = inside & screws.is_observed
        rate = screws.is_event[seen].mean()
        expected += screws.is_event[seen].sum() + (inside & ~screws.is_observed).sum() * rate
    found = like_the_observed(screws, known_of(screws))
    assert found.value == pytest.approx(expected / len(screws.patient))
    # More is missing where breaches are commoner: the graded screws alone say too little.
    assert found.value > screws.is_event[screws.is_observed].mean()
    assert 0 < found.low < found.value < found.high < 1


# A seeded share of tests/long/test_missing_keeps_its_promise.py.
def test_its_interval_holds_the_truth_where_the_assumption_holds():
    assert share_held(np.random.default_rng(20261128), 60, patients=60) > 0.8


def test_nothing_observed_and_no_event():
    nobody = Observed(*(np.array([0, 1]),) * 2, np.zeros(2, dtype=bool), np.zeros(2, dtype=bool))
    seen = Observed(
        np.arange(6), np.zeros(6, dtype=np.int64), np.ones(6, dtype=bool), np.zeros(6, dtype=bool)
    )
    known = known_of(seen)
    assert like_the_observed(nobody, known).value is None
    found = like_the_observed(seen, known)
    assert (found.value, found.low) == (0, 0)
    assert found.high == pytest.approx(known.interval.high)
    assumed = with_assumed(known, 6, 6, 0.5)
    assert (assumed.value, assumed.low) == (0.25, 0.25)
    with pytest.raises(ValueError, match="not between 0 and 1"):
        with_assumed(known, 6, 6, 1.5)
