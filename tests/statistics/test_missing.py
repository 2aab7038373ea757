from __future__ import annotations

import numpy as np
import pytest

from reports.statistics.clustered import clustered_interval, unit_clustering
from reports.statistics.missing import Observed, bounds, like_the_observed, with_assumed


def drawn(rng, patients, rate):
    """Draw patients of four screws in two strata; those of the second are seen half as often."""
    patient = np.repeat(np.arange(patients), 4)
    stratum = np.tile([0, 0, 1, 1], patients)
    own = np.repeat(rng.beta(rate * 9, (1 - rate) * 9, patients), 4)
    event = rng.random(len(patient)) < np.where(stratum == 1, np.minimum(1.6 * own, 1), own)
    seen = rng.random(len(patient)) < np.where(stratum == 1, 0.45, 0.9)
    return Observed(patient, stratum, seen, event & seen), event.mean()


def known_of(screws):
    patient, event = screws.patient[screws.is_observed], screws.is_event[screws.is_observed]
    unit = unit_clustering(event, patient, np.zeros(len(patient), dtype=np.int64))
    sizes = np.bincount(patient)
    events = np.bincount(patient, event).astype(np.int64)
    return clustered_interval(events[sizes > 0], sizes[sizes > 0], unit)


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


def test_its_interval_keeps_its_promise_where_the_assumption_holds():
    rng = np.random.default_rng(20261128)
    truth = np.mean([drawn(rng, 60, 0.1)[1] for _ in range(3000)])
    held = 0
    for _ in range(400):
        screws, _ = drawn(rng, 60, 0.1)
        found = like_the_observed(screws, known_of(screws))
        held += found.low <= truth <= found.high
    # 95% promised; of 400 draws fewer than 365 would be chance once in some ten thousand times.
    assert held >= 365


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
