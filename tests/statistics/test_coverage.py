"""A seeded share of the coverage grid of tests/long, and its samples by the public functions."""

from __future__ import annotations

import numpy as np
import pytest

from reports.statistics.clustered import clustered_interval, unit_clustering
from reports.statistics.patient_sums import PatientSums, default_limits
from tests.build.coverage_grid import (
    Unit,
    chunks,
    logistic_normal_parameters,
    parts_of_unit,
    samples_of,
    unit_sums,
    whole_unit,
)

SEED, SAMPLES = 20261128, 4000


@pytest.mark.parametrize(
    "unit",
    [
        Unit(0.05, 0.30, 20),
        Unit(0.10, 0.15, 50, is_logistic_normal=True),
        Unit(0.10, 0.05, 40, surgeons=(20, 12, 8), multiples=(0.8, 1.0, 1.5)),
    ],
    ids=["high correlation", "logistic-normal patients", "unequal surgeons"],
)
def test_whole_units_are_held_as_often_as_said(unit):
    cell = whole_unit("whole unit", unit, SAMPLES, np.random.default_rng(SEED))
    assert not cell.falls_short
    assert cell.plain_held < cell.held


def test_a_surgeon_and_a_level_are_held_as_often_as_said():
    unit = Unit(0.10, 0.15, 40, surgeons=(10, 30))
    for cell in parts_of_unit(unit, SAMPLES, np.random.default_rng(SEED)):
        assert not cell.falls_short


def test_screws_taken_as_independent_hold_far_fewer():
    unit = Unit(0.10, 0.30, 50)
    assert whole_unit("", unit, SAMPLES, np.random.default_rng(SEED)).plain_held < 0.75


def test_a_surgeon_who_clusters_far_more_than_the_unit_is_held_less_often_and_named():
    unit = Unit(0.10, 0.05, 150, surgeons=(10, 140), own_rho=0.30)
    (cell,) = parts_of_unit(unit, SAMPLES, np.random.default_rng(SEED))
    assert cell.short == "named"
    assert 0.85 < cell.held < 0.94


def test_a_sample_has_the_limits_that_the_public_functions_give():
    unit = Unit(0.10, 0.20, 30, surgeons=(8, 12, 10))
    events, sizes, whole, rho_p = next(chunks(unit, 20, np.random.default_rng(SEED)))
    found = default_limits(
        PatientSums.along_last(events[:, :8], sizes[:, :8]),
        pooled_rho=rho_p,
        unit_patients=whole.patients,
        unit_with_event=whole.with_event,
    )
    for row in range(20):
        patient = np.repeat(np.arange(30), sizes[row])
        surgeon = np.repeat(np.repeat([0, 1, 2], unit.surgeons), sizes[row])
        number = np.concatenate([np.arange(size) for size in sizes[row]])
        clustering = unit_clustering(number < events[row][patient], patient, surgeon)
        result = clustered_interval(events[row, :8], sizes[row, :8], clustering)
        assert result.interval.low == pytest.approx(found.low[row], abs=1e-12)
        assert result.interval.high == pytest.approx(found.high[row], abs=1e-12)


@pytest.mark.parametrize("is_logistic_normal", [False, True])
def test_the_simulated_patients_have_the_rate_and_correlation_asked_for(is_logistic_normal):
    unit = Unit(0.10, 0.15, 200_000, is_logistic_normal=is_logistic_normal)
    events, sizes = samples_of(unit, 1, np.random.default_rng(SEED))
    sums, _ = unit_sums(events, sizes, (unit.patients,))
    assert float(sums.rate[0]) == pytest.approx(0.10, abs=0.003)
    assert float(sums.spread().icc()[0]) == pytest.approx(0.15, abs=0.006)


def test_the_logistic_normal_parameters_integrate_to_what_was_asked_for():
    # By a plain sum over a fine grid, apart from the quadrature that found them.
    middle, spread = logistic_normal_parameters(0.05, 0.30)
    z = np.linspace(-9, 9, 200_001)
    weight = np.exp(-z * z / 2)
    weight /= weight.sum()
    own = 1 / (1 + np.exp(-(middle + spread * z)))
    mean = (weight * own).sum()
    assert mean == pytest.approx(0.05, abs=1e-6)
    assert (weight * (own - mean) ** 2).sum() / (0.05 * 0.95) == pytest.approx(0.30, abs=1e-5)
