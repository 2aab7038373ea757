"""Sequential charts against printed numbers and plain definitions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from reports.statistics.sequential import (
    BETTER,
    WORSE,
    cusum,
    ewma,
    observed_minus_expected,
    scores,
    signals,
)
from tests.published.worked_sequential import (
    RIGDON_MODEL,
    RIGDON_SCORE,
    STEINER_MODEL,
    STEINER_SCORES,
)


def expit(value):
    return 1 / (1 + math.exp(-value))


@pytest.mark.parametrize(("score", "published", "risk", "without", "having"), STEINER_SCORES)
def test_steiners_two_patients_have_the_printed_risks_and_scores(
    score, published, risk, without, having
):
    expected = expit(STEINER_MODEL[0] + STEINER_MODEL[1] * score)
    assert round(expected, 3) == published
    assert round(expected, 6) == risk
    no_event, event = scores(np.array([expected]), WORSE)
    assert (round(no_event[0], 6), round(event[0], 6)) == (without, having)


def test_rigdons_patient_has_the_printed_score_for_halved_odds():
    score, ratio, printed = RIGDON_SCORE
    assert ratio == BETTER
    without, _ = scores(np.array([expit(RIGDON_MODEL[0] + RIGDON_MODEL[1] * score)]), ratio)
    assert round(without[0], 5) == printed


def test_a_cusum_is_its_recursion_in_plain_python():
    steps = np.random.default_rng(3).normal(-0.2, 1, 400)
    level, plain = 0.0, []
    for step in steps:
        level = max(0.0, level + step)
        plain.append(level)
    assert cusum(steps) == pytest.approx(plain, abs=1e-12)
    assert cusum(np.array([])).size == 0


def test_a_signal_is_counted_once_until_the_chart_has_come_down():
    chart = np.array([3.0, 3.5, 2.9, 3.0, 0.0])
    assert signals(chart, 3.0) == [0, 3]
    assert signals(chart, 4.0) == []
    assert signals(np.array([]), 1.0) == []


def test_observed_minus_expected_ends_at_the_difference_of_the_sums():
    events, expected = np.array([0, 2, 1]), np.array([0.4, 0.6, 0.5])
    assert observed_minus_expected(events, expected)[-1] == pytest.approx(1.5)


def test_the_moving_averages_deviation_tends_to_the_textbook_limit():
    # sqrt(w/(2 - w) variance): common practice, no source.
    _, deviation = ewma(np.full(60, 0.05), np.full(60, 0.0004), 0.05, 0.2)
    assert deviation[0] == pytest.approx(0.2 * 0.02)
    assert deviation[-1] == pytest.approx(math.sqrt(0.2 / 1.8) * 0.02)


@pytest.mark.parametrize(
    "ask",
    [
        lambda: scores(np.array([1.2]), 2),
        lambda: scores(np.array([0.2]), 0),
        lambda: observed_minus_expected(np.zeros(2), np.zeros(3)),
        lambda: ewma(np.zeros(2), np.zeros(3), 0.1),
        lambda: ewma(np.zeros(2), np.zeros(2), 0.1, 1.5),
    ],
)
def test_numbers_outside_their_range_are_refused(ask):
    with pytest.raises(ValueError, match=r"outside|not above|for 3"):
        ask()
