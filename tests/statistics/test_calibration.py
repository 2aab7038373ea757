"""Calibration and discrimination against statsmodels 0.15, scipy and slow plain counts."""

from math import sqrt

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import special, stats

from reports.statistics.calibration import calibration, discrimination
from reports.statistics.clustered import unit_clustering
from tests.statistics.clustered_outcomes import outcomes


def predictions(seed, times=1.0):
    events, patients, is_high, is_poor = outcomes(seed, bone=0.6)
    odds = -2.0 + times * (0.8 * is_high + 0.6 * is_poor)
    return events, special.expit(odds), patients


def unit(events, patients):
    return unit_clustering(events, patients, np.zeros(len(events), dtype=np.int64))


def test_slope_and_calibration_in_the_large_are_those_of_estimating_equations():
    events, predicted, patients = predictions(11)
    found = calibration(events, predicted, patients, unit(events, patients))
    odds = special.logit(predicted)
    family = sm.families.Binomial()
    ones = np.ones(len(events))
    large = sm.GEE(events.astype(float), ones, groups=patients, family=family, offset=odds)
    slope = sm.GEE(
        events.astype(float), np.column_stack([ones, odds]), groups=patients, family=family
    )
    for ours, peer, lost in ((found.in_the_large, large, 1), (found.slope, slope, 2)):
        fit = peer.fit(cov_type="bias_reduced")
        half = stats.t.ppf(0.975, len(np.unique(patients)) - lost) * fit.bse[-1]
        value = fit.params[-1]
        expected = (value, value - half, value + half)
        assert (ours.value, ours.low, ours.high) == pytest.approx(expected, abs=1e-8)
    assert found.brier == pytest.approx(((events - predicted) ** 2).mean())


def test_predictions_spread_twice_as_far_have_half_the_slope():
    slopes = []
    for times in (1.0, 2.0):
        events, predicted, patients = predictions(12, times)
        slopes.append(calibration(events, predicted, patients, unit(events, patients)).slope.value)
    assert slopes[1] == pytest.approx(slopes[0] / 2)


def test_fifths_hold_everybody_once_in_the_order_of_their_predictions():
    rng = np.random.default_rng(3)
    events, _, patients = predictions(13)
    predicted = rng.random(len(events)) / 4
    found = calibration(events, predicted, patients, unit(events, patients)).fifths
    assert len(found) == 5
    assert sum(fifth.size for fifth in found) == len(events)
    assert sum(fifth.observed for fifth in found) == events.sum()
    assert sum(fifth.expected for fifth in found) == pytest.approx(predicted.sum())
    means = [fifth.expected / fifth.size for fifth in found]
    assert means == sorted(means)
    lowest = events[predicted <= np.sort(predicted)[found[0].size - 1]]
    assert found[0].rate.value == pytest.approx(lowest.mean())


def test_the_c_statistic_is_that_of_mann_and_whitney_with_ties_a_half():
    events, predicted, patients = predictions(14)
    predicted = np.round(predicted, 2)
    u = stats.mannwhitneyu(predicted[events], predicted[~events]).statistic
    found = discrimination(events, predicted, patients)
    assert found.value == pytest.approx(u / (events.sum() * (~events).sum()))


def test_the_interval_of_the_c_statistic_is_near_that_of_leaving_out_patients():
    events, predicted, patients = predictions(15)
    found = discrimination(events, predicted, patients)
    left = []
    for out in np.unique(patients):
        kept = patients != out
        left.append(discrimination(events[kept], predicted[kept], patients[kept]).value)
    left = np.array(left)
    jackknife = sqrt((len(left) - 1) / len(left) * ((left - left.mean()) ** 2).sum())
    df = len(np.unique(patients[events])) - 1
    half = stats.t.ppf(0.975, df) * jackknife / (found.value * (1 - found.value))
    middle = special.logit(found.value)
    limits = special.expit(middle - half), special.expit(middle + half)
    assert (found.low, found.high) == pytest.approx(limits, abs=0.004)


def test_nobody_to_compare_has_no_c_statistic():
    alike = np.zeros(5, dtype=bool)
    assert discrimination(alike, np.full(5, 0.2), np.arange(5)).value is None
    apart = np.array([True, False])
    assert discrimination(apart, np.array([0.9, 0.1]), np.arange(2)).low is None
