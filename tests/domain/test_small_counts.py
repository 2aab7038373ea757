"""Small numbers are hidden, and no arithmetic on what is shown brings them back."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.domain.small_counts import LEAST_SHOWN, Cell, Shown, cells, rounded, total

# NHS Digital, Disclosure control methodology for Hospital Episode Statistics, from September 2018
# (address in registry/domain/small_counts.py): 1 to 7 as *, others to the nearest 5. The page's own
# start was read; "counts of 1 to 7" and "nearest 5" as the unit's reference quotes them.
SHOWN = {0: None, 1: "*", 7: "*", 8: 10, 12: 10, 13: 15, 17: 15, 18: 20, 100: 100, 102: 100}


def of(counts):
    """Return the screws of cells with these counts, a patient each."""
    return [(key, (key, n)) for key, count in enumerate(counts) for n in range(count)]


@pytest.mark.parametrize("count", SHOWN)
def test_a_count_is_shown_as_the_rule_says(count):
    found = cells(of([count]))
    wanted = SHOWN[count]
    if wanted is None:
        assert found == []
    else:
        assert found == [Cell(0, None if wanted == "*" else wanted)]


def test_many_screws_of_few_patients_are_hidden():
    assert cells([("L4", patient % 7) for patient in range(70)]) == [Cell("L4", None)]
    assert cells([("L4", patient % 8) for patient in range(70)]) == [Cell("L4", 70)]


def test_a_sum_is_of_what_is_shown():
    assert total(cells(of([8, 3, 20, 7]))) == Shown(screws=30, hidden=2)
    assert total([]) == Shown(0, 0)


@given(st.integers(0, 10_000))
def test_rounding_moves_a_count_by_at_most_two(count):
    assert rounded(count) % 5 == 0
    assert abs(rounded(count) - count) <= 2


def published(counts):
    """Return all that leaves of these counts: the cells, the sum of all and the sum of some."""
    found = cells(of(counts))
    half = [cell for cell in found if cell.key % 2]
    return tuple((cell.key, cell.screws) for cell in found), total(found), total(half)


def with_a_true_total(counts):
    """Return what a careless extract would show: the same cells beside their true sum."""
    return published(counts)[0], sum(counts)


def solved(publish, counts):
    """Return what each hidden cell may hold, by trying every table that shows the same."""
    shown = publish(counts)
    values = dict(shown[0])
    ranges = [
        range(1)
        if key not in values
        else range(1, LEAST_SHOWN)
        if values[key] is None
        else range(max(LEAST_SHOWN, values[key] - 2), values[key] + 3)
        for key in range(len(counts))
    ]
    fitting = [table for table in product(*ranges) if publish(table) == shown]
    assert tuple(counts) in fitting
    return {
        key: {table[key] for table in fitting} for key, value in values.items() if value is None
    }


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 16), min_size=1, max_size=4))
def test_whatever_else_is_shown_a_hidden_cell_may_hold_any_small_number(counts):
    for may_hold in solved(published, counts).values():
        assert may_hold == set(range(1, LEAST_SHOWN))


def test_the_same_trial_does_find_a_number_that_a_true_total_gives_away():
    assert solved(with_a_true_total, [10, 3]) == {1: {1, 2, 3, 4, 5}}
    assert solved(with_a_true_total, [12, 7]) == {1: {7}}
