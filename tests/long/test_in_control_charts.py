"""False alarms of funnel and sequential charts in 10,000 surgeons who are all alike.

A seeded share runs always, in tests/statistics. The table in DEVELOPERS.md is what this prints.
"""

from __future__ import annotations

import numpy as np
import pytest

from reports.statistics.run_lengths import operations, simulated_limit
from reports.statistics.sequential import BETTER, WORSE
from tests.build.in_control import SIZES, false_alarms, run_lengths

SURGEONS = 10_000


@pytest.mark.parametrize("rate", [0.05, 0.10])
@pytest.mark.parametrize("rho", [0.0, 0.05, 0.15, 0.30])
def test_the_funnel_points_at_no_more_than_it_says(rate, rho):
    found = false_alarms(SURGEONS, rate, rho, seed=1)
    plain = false_alarms(SURGEONS, rate, rho, seed=1, plain=True)
    for name, alarms in (("effective", found), ("plain", plain)):
        print(
            f"\nrate {rate:.2f} rho {rho:.2f} {name:9}: above 99.8 % {alarms.above_998:.2%}, below "
            f"{alarms.below_998:.2%}; above 95 % {alarms.above_95:.2%}, below {alarms.below_95:.2%}"
        )
    # The limits' tails, with three standard errors of 10,000.
    assert max(found.above_998, found.below_998) < 0.001 + 3 * np.sqrt(0.001 / SURGEONS)
    assert max(found.above_95, found.below_95) < 0.025 + 3 * np.sqrt(0.025 / SURGEONS)


@pytest.mark.parametrize("ratio", [WORSE, BETTER])
@pytest.mark.parametrize("rate", [0.05, 0.10])
@pytest.mark.parametrize("rho", [0.0, 0.05, 0.15, 0.30])
def test_the_sequential_chart_runs_as_long_as_it_says(rate, rho, ratio):
    whose = np.repeat(np.arange(len(SIZES)), SIZES)
    made = operations(np.full(len(whose), rate), whose, ratio)
    promise = simulated_limit(made, rho)
    in_control = run_lengths(promise.limit, ratio, rate, rho, SURGEONS, seed=21)
    changed = run_lengths(promise.limit, ratio, rate, rho, SURGEONS, seed=22, true_ratio=ratio)
    print(
        f"\nratio {ratio} rate {rate:.2f} rho {rho:.2f}: limit {promise.limit:.2f}; in control "
        f"{in_control.mean():.0f} screws (promised {promise.in_control_screws:.0f}); changed "
        f"{changed.mean():.0f} ({promise.changed_screws:.0f})"
    )
    # The limit itself comes from 4000 runs (error 2 %), the check from 10,000 (1 %).
    assert in_control.mean() == pytest.approx(promise.in_control_screws, rel=0.07)
    assert changed.mean() == pytest.approx(promise.changed_screws, rel=0.05)
