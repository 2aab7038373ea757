"""Run lengths: printed ones, a chain against a simulation, and the limit that keeps its promise.

Ten thousand surgeons run in tests/long/test_in_control_charts.py; here goes a seeded share.
"""

from __future__ import annotations

import numpy as np
import pytest

from reports.statistics.drawn_steps import Steps
from reports.statistics.run_lengths import markov_run_length, operations, simulated_limit, steps
from reports.statistics.sequential import BETTER, WORSE
from tests.build.in_control import SIZES, run_lengths
from tests.published.worked_sequential import BERNOULLI_RUNS, BERNOULLI_TOLERANCE

ONE_SCREW = operations(np.array([0.05]), np.array([1]), WORSE)
RATE, RHO = 0.05, 0.15


def of_sizes(odds_ratio, rate=RATE):
    whose = np.repeat(np.arange(len(SIZES)), SIZES)
    return operations(np.full(len(whose), rate), whose, odds_ratio)


@pytest.mark.parametrize(("limit", "in_control", "doubled"), BERNOULLI_RUNS)
def test_a_chain_of_single_screws_has_the_printed_run_lengths(limit, in_control, doubled):
    found = [markov_run_length(*steps(ONE_SCREW, 0.0, ratio), limit, 2000) for ratio in (1, 2)]
    assert found == pytest.approx([in_control, doubled], rel=BERNOULLI_TOLERANCE)


def test_a_chain_of_whole_operations_agrees_with_runs_followed_one_by_one():
    made = of_sizes(WORSE)
    screws = run_lengths(4.0, WORSE, RATE, RHO, surgeons=2000, seed=5)
    error = screws.std(ddof=1) / np.sqrt(len(screws))
    chain = markov_run_length(*steps(made, RHO), 4.0) * made.mean_size
    assert abs(screws.mean() - chain) < 3 * error + 0.01 * chain


def test_a_limit_set_screw_by_screw_is_wrong_many_times_over_where_screws_share_patients():
    made = of_sizes(WORSE)
    alone, together = (markov_run_length(*steps(made, rho), 4.0) for rho in (0.0, RHO))
    assert alone > 5 * together


@pytest.mark.parametrize("ratio", [WORSE, BETTER])
def test_the_simulated_limit_keeps_its_promise_by_the_chain(ratio):
    made = of_sizes(ratio)
    found = simulated_limit(made, RHO, 1500)
    assert simulated_limit.__wrapped__(made, RHO, 1500) == found  # the same again, not kept
    in_control = markov_run_length(*steps(made, RHO), found.limit) * made.mean_size
    changed = markov_run_length(*steps(made, RHO, ratio), found.limit) * made.mean_size
    assert found.in_control_screws == pytest.approx(1500, rel=0.03)
    assert in_control == pytest.approx(found.in_control_screws, rel=0.06)
    assert changed == pytest.approx(found.changed_screws, rel=0.04)
    assert found.changed_operations * made.mean_size == pytest.approx(found.changed_screws)


def test_operations_of_other_risks_step_by_their_own():
    risks = np.array([0.02, 0.3, 0.1])
    values, shares = steps(operations(risks, np.array([1, 1, 2]), WORSE), 0.1)
    assert shares.sum() == pytest.approx(1)
    # By hand: the worst step of the first operation is two events.
    assert values.max() == pytest.approx(2 * np.log(2) - np.log(1.02) - np.log(1.3))
    mean_events = 0.5 * (0.32 + 0.1)
    drift = mean_events * np.log(2) - 0.5 * (np.log(1.02) + np.log(1.3) + np.log(1.1))
    assert values @ shares == pytest.approx(drift)


def test_steps_are_drawn_as_by_searching_their_cumulated_shares():
    rng = np.random.default_rng(11)
    for count in (1, 2, 7, 3000):
        values, shares = rng.normal(size=count), rng.dirichlet(np.full(count, 0.3))
        ours = Steps.of(values, shares).draw(np.random.default_rng(count), 20_000)
        at = np.random.default_rng(count).random(20_000)
        searched = values[np.searchsorted(np.cumsum(shares)[:-1], at, side="right")]
        assert (ours == searched).all()
