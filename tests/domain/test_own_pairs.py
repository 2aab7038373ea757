"""What a reader may learn of own pairs: sums of many, in steps, never at an end."""

from __future__ import annotations

import doctest
from datetime import date, timedelta
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from registry.domain import own_pairs
from registry.domain.own_pairs import OWN_PAIRS, coarse_share, shown_until

START = date(2026, 1, 1)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.integers(0, 900), max_size=60))
def test_two_looks_differ_by_none_or_by_many(offsets):
    days = [START + timedelta(days=offset) for offset in offsets]
    seen = {0}
    for later in range(0, 1100, 7):
        today = START + timedelta(days=later)
        # What is saved later cannot be known yet.
        saved = [day for day in days if day <= today]
        until = shown_until(saved, today)
        assert until is None or until < today
        seen.add(sum(until is not None and day <= until for day in saved))
    assert all(after - before >= OWN_PAIRS for before, after in pairwise(sorted(seen)))


def test_what_is_shown_is_never_at_an_end():
    shown = {coarse_share(value / 1000) for value in range(-300, 1001)}
    assert (min(shown), max(shown), len(shown)) == (0.05, 0.95, 19)


def test_the_examples_run():
    assert doctest.testmod(own_pairs).failed == 0
