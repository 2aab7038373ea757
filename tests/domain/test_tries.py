"""How long the next try waits after wrong ones."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from registry.domain import tries
from registry.domain.tries import Limit, open_again

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
SECOND = timedelta(seconds=1)
LIMITS = [value for value in vars(tries).values() if isinstance(value, Limit)]


def test_five_kinds_of_tries_have_a_limit():
    assert len(LIMITS) == 5


@pytest.mark.parametrize("limit", LIMITS)
def test_so_many_wrong_tries_cost_nothing_and_the_next_waits(limit):
    assert open_again(limit, [], NOON) is None
    assert open_again(limit, [NOON] * (limit.allowed - 1), NOON) is None
    assert open_again(limit, [NOON] * limit.allowed, NOON) == NOON + limit.first_wait


@pytest.mark.parametrize("limit", LIMITS)
def test_no_wait_is_for_ever(limit):
    opens = open_again(limit, [NOON] * 100_000, NOON)
    assert opens is not None
    assert opens - NOON == limit.longest_wait <= timedelta(minutes=15)
    assert open_again(limit, [NOON] * 100_000, opens) is None


def test_the_wait_of_a_name_doubles_with_each_further_wrong_try():
    waits = [
        open_again(tries.NAME, [NOON] * (tries.NAME.allowed + further), NOON) - NOON
        for further in range(10)
    ]
    assert waits == [timedelta(seconds=min(900, 4 * 2**further)) for further in range(10)]


def test_an_old_try_counts_no_more():
    old = NOON - tries.NAME_FROM_ADDRESS.within
    failures = [old] * 100
    assert open_again(tries.NAME_FROM_ADDRESS, failures, NOON) is None
    assert open_again(tries.NAME_FROM_ADDRESS, [old + SECOND] * 100, NOON) is not None


def test_a_day_of_guessing_at_one_name_from_everywhere_is_few_guesses():
    # Each guess is sent the second that it is taken; NAME alone holds, whatever the addresses.
    failures, at = [], NOON
    while at < NOON + timedelta(days=1):
        opens = open_again(tries.NAME, failures, at)
        if opens is None:
            failures.append(at)
        else:
            at = opens
    assert len(failures) < 150
