"""Funnel limits against a plain binomial, and the spread against what is written of it.

Ten thousand surgeons run in tests/long/test_in_control_charts.py; here goes a seeded share.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.statistics.funnel import (
    ALARM,
    ALERT,
    funnel_limits,
    spread,
    widened_additive,
    widened_multiplicative,
)
from reports.statistics.intervals import Interval
from tests.build.in_control import false_alarms


def plain_limit(target, size, quantile):
    """Return the interpolated limit in exact fractions, from its definition."""
    below = Fraction(0)
    for count in range(size + 1):
        share = math.comb(size, count) * target**count * (1 - target) ** (size - count)
        if below + share >= quantile:
            part = (below + share - quantile) / share
            return min(Fraction(1), max(Fraction(0), (count - part) / size))
        below += share
    raise AssertionError


@pytest.mark.parametrize("size", [1, 2, 17, 60, 240])
@pytest.mark.parametrize("target", [Fraction(1, 200), Fraction(1, 20), Fraction(1, 3)])
@pytest.mark.parametrize("confidence", [Fraction(95, 100), Fraction(998, 1000)])
def test_limits_are_those_of_the_definition_in_exact_fractions(size, target, confidence):
    tail = (1 - confidence) / 2
    found = funnel_limits(float(target), size, float(confidence))
    low, high = plain_limit(target, size, tail), plain_limit(target, size, 1 - tail)
    assert found.low == pytest.approx(float(min(low, target)), abs=1e-9)
    assert found.high == pytest.approx(float(max(high, target)), abs=1e-9)


def test_between_two_whole_numbers_the_limits_are_between():
    lower, middle, upper = (funnel_limits(0.05, size, ALARM) for size in (40, 40.25, 41))
    assert middle.high == pytest.approx(0.75 * lower.high + 0.25 * upper.high)


@given(st.floats(0.001, 0.6), st.floats(0.2, 3000))
def test_limits_hold_the_target_and_the_outer_hold_the_inner(target, effective):
    inner, outer = (funnel_limits(target, effective, level) for level in (ALERT, ALARM))
    assert 0 <= outer.low <= inner.low <= target <= inner.high <= outer.high <= 1


@pytest.mark.parametrize("target", [0, 1])
def test_a_unit_without_a_breach_and_one_with_nothing_else_have_no_room(target):
    assert funnel_limits(target, 30, ALERT) == Interval(target, target)
    assert spread([target], [30], target) is None


@pytest.mark.parametrize("asked", [(1.2, 10, 0.95), (0.1, 0, 0.95), (0.1, 10, 1)])
def test_limits_of_no_such_thing_are_refused(asked):
    with pytest.raises(ValueError, match=r"target of|no limits|confidence"):
        funnel_limits(*asked)


def test_spread_pulls_the_ends_in_and_counts_them():
    # By hand, target .5 and 25 screws: standard error .1, so z = 10 (rate - .5).
    z = [-4, -1, -0.5, 0, 0, 0, 0, 0.5, 1, 1, 5]
    found = spread([0.5 + each / 10 for each in z], [25] * 11, 0.5)
    # Quantiles at .1 and .9 (type 7 of 11): the second lowest and the second highest.
    pulled = [-1, *z[1:-1], 1]
    phi = sum(each**2 for each in pulled) / 11
    assert found.phi == pytest.approx(phi)
    assert found.winsorised == 2
    assert found.surgeons == 11
    assert found.is_enough
    # Equal weights w = 100: the variance between is (I phi - (I - 1))/(w (I - 1)), at least 0.
    assert found.tau_squared == pytest.approx(max(0, (11 * phi - 10) / 1000))


def test_spread_beyond_chance_has_the_textbook_variance_and_p():
    rates, size, target = [0.4, 0.6, 0.4, 0.6], 100, 0.5
    found = spread(rates, [size] * 4, target, share=0)
    assert found.phi == pytest.approx(4)  # z = -2, 2, -2, 2
    # Upper tail of chi-square with 4 degrees at 16: exp(-8) (1 + 8), in closed form.
    assert found.p_value == pytest.approx(9 * math.exp(-8))
    assert found.tau_squared == pytest.approx((16 - 3) / (400 * 3))
    assert not found.is_enough


def test_widening_moves_limits_away_from_the_target_and_never_nearer():
    limits = funnel_limits(0.5, 100, ALERT)
    wide = spread([0.4, 0.6, 0.4, 0.6], [100] * 4, 0.5, share=0)
    double = widened_multiplicative(limits, 0.5, wide)
    assert double.high - 0.5 == pytest.approx(2 * (limits.high - 0.5))
    added = widened_additive(limits, 0.5, 100, wide)
    factor = math.sqrt(1 + wide.tau_squared / 0.0025)
    assert added.high - 0.5 == pytest.approx(factor * (limits.high - 0.5))
    narrow = spread([0.5, 0.5], [100, 100], 0.5)
    assert widened_multiplicative(limits, 0.5, narrow) == limits
    assert widened_additive(limits, 0.5, 100, narrow) == limits


def test_few_surgeons_in_control_lie_beyond_the_outer_limits_where_screws_share_patients():
    # Nominal 0.1 % above, 0.1 % below; 400 surgeons: more than 3 of them has p = 0.0008.
    found = false_alarms(400, rate=0.05, rho=0.15, seed=11)
    assert found.surgeons == 400
    assert 400 * (found.above_998 + found.below_998) <= 3
    assert found.above_95 + found.below_95 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)
    plain = false_alarms(160, rate=0.05, rho=0.15, seed=11, plain=True)
    assert plain.above_998 > 0.01
