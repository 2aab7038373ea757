"""What a colleague may learn: days on which a quarter is settled, periods, and peers' points."""

from __future__ import annotations

import doctest
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.domain import disclosure
from registry.domain.disclosure import (
    OTHERS_NEEDED,
    POINT_GROUP,
    POINT_SCREWS,
    POINT_STEP,
    fixed_periods,
    is_fixed,
    peers_points,
    quarter_end,
    quarter_start,
    settled_until,
    year_settled_until,
)

DAYS = st.dates(date(2000, 1, 1), date(2100, 12, 31))


def test_its_examples_hold():
    assert doctest.testmod(disclosure).failed == 0


@given(DAYS)
def test_a_quarter_holds_its_day_and_the_next_begins_after_it(day):
    start, end = quarter_start(day), quarter_end(day)
    assert start <= day <= end
    assert (start.day, start.month % 3, end.month - start.month) == (1, 1, 2)
    assert quarter_start(end + timedelta(days=1)) == end + timedelta(days=1)


@given(DAYS, st.integers(0, 400))
def test_the_settled_quarter_is_the_last_whose_window_has_passed(today, window):
    end = settled_until(today, window)
    assert end == quarter_end(end)
    assert end + timedelta(days=window) < today
    following = quarter_end(end + timedelta(days=1))
    assert following + timedelta(days=window) >= today
    assert year_settled_until(end) <= end < date(year_settled_until(end).year + 1, 12, 31)


@given(DAYS, DAYS)
def test_every_period_offered_may_be_asked_about(first, settled):
    settled = quarter_end(settled)
    for period in fixed_periods(first, settled):
        assert is_fixed(period.start, period.end, settled, is_split=False)
        assert period.end >= first
    assert bool(fixed_periods(first, settled)) == (first <= settled)


@pytest.mark.parametrize(
    ("start", "end", "whole", "by_year"),
    [
        (None, date(2025, 12, 31), True, True),
        (None, date(2026, 6, 30), True, False),
        (date(2024, 1, 1), date(2025, 12, 31), True, True),
        (date(2025, 4, 1), date(2025, 12, 31), True, False),
        (date(2025, 4, 2), date(2025, 12, 31), False, False),
        (date(2026, 4, 1), date(2026, 6, 29), False, False),
        (date(2026, 7, 1), date(2026, 9, 30), False, False),
        (None, date(2026, 12, 31), False, False),
    ],
)
def test_a_period_is_fixed_where_quarters_or_years_end(start, end, whole, by_year):
    settled = date(2026, 6, 30)
    assert is_fixed(start, end, settled, is_split=False) == whole
    assert is_fixed(start, end, settled, is_split=True) == by_year


@given(st.dictionaries(st.integers(1, 99), st.floats(0, 1), max_size=12))
def test_each_point_is_a_step_that_is_shared_and_near_the_mean_of_those_who_share_it(rates):
    points = peers_points(rates)
    assert set(points) == (set(rates) if len(rates) >= OTHERS_NEEDED else set())
    ordered = sorted(rates, key=lambda person: (rates[person], person))
    assert [points[person] for person in ordered if points] == sorted(points.values())
    for figure in points.values():
        sharing = [rates[person] for person in points if points[person] == figure]
        assert len(sharing) >= POINT_GROUP
        assert round(figure / POINT_STEP, 6) % 1 == 0
        mean = sum(sharing) / len(sharing)
        assert abs(mean - figure) <= POINT_STEP / 2 + 1e-9


@given(st.integers(POINT_SCREWS, 500), st.integers(0, 20))
def test_no_volume_that_has_a_point_is_ruled_out_by_a_figure(graded, step):
    # Every figure is the nearest to some whole number of breached screws of that many.
    figure = step * POINT_STEP
    nearest = min(range(graded + 1), key=lambda breached: abs(breached / graded - figure))
    assert abs(nearest / graded - figure) <= POINT_STEP / 2 + 1e-9
