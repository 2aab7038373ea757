"""Which sums may be shown: held against slow exact elimination, and worked by hand."""

from __future__ import annotations

import doctest
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.statistics import subtraction
from reports.statistics.subtraction import safe_sums


def test_its_example_holds():
    assert doctest.testmod(subtraction).failed == 0


def rank(rows):
    """Return the rank over the rationals, by plain elimination."""
    left, found = [[Fraction(int(cell)) for cell in row] for row in rows], 0
    for column in range(len(left[0]) if left else 0):
        pivot = next((row for row in left[found:] if row[column]), None)
        if pivot is None:
            continue
        left.remove(pivot)
        left.insert(found, pivot)
        for place in range(found + 1, len(left)):
            share = left[place][column] / pivot[column]
            left[place] = [a - share * b for a, b in zip(left[place], pivot, strict=True)]
        found += 1
    return found


def is_told(sums, contributors):
    """Return whether a combination of the sums is left with items of one contributor."""
    whole = rank(sums)
    return any(
        rank([[cell for cell, own in zip(row, part, strict=True) if not own] for row in sums])
        < whole
        for part in contributors
    )


@st.composite
def tables(draw):
    items = draw(st.integers(1, 7))
    row = st.lists(st.booleans(), min_size=items, max_size=items)
    return draw(st.lists(row, min_size=1, max_size=6)), draw(st.lists(row, min_size=1, max_size=4))


@given(tables())
def test_it_lets_through_what_exact_elimination_finds_safe_and_nothing_else(table):
    members, contributors = table
    shown = safe_sums(np.array(members), np.array(contributors))
    kept = []
    for row, is_shown in zip(members, shown, strict=True):
        assert is_shown == (not is_told([*kept, row], contributors))
        kept += [row] if is_shown else []


def test_two_tables_of_the_same_screws_hide_each_other_s_lone_cell():
    # Six screws of three surgeons. "C5" has one of a and one of c, "hooks" those and one of b:
    # each has two surgeons or more, but "hooks" less "C5" is a screw of b alone.
    surgeons = np.array(list("aabbcc"))
    contributors = surgeons == np.unique(surgeons)[:, None]
    total = np.ones(6, dtype=bool)
    c5 = np.array([1, 0, 0, 0, 1, 0], dtype=bool)
    hooks = np.array([1, 0, 1, 0, 1, 0], dtype=bool)
    assert safe_sums(np.array([total, c5]), contributors).all()
    assert safe_sums(np.array([total, hooks]), contributors).all()
    assert safe_sums(np.array([total, c5, hooks]), contributors).tolist() == [True, True, False]


def test_what_follows_from_the_rest_is_let_through():
    surgeons = np.array(list("aabb"))
    contributors = surgeons == np.unique(surgeons)[:, None]
    left = np.array([1, 0, 1, 0], dtype=bool)
    sums = np.array([left, ~left, np.ones(4, dtype=bool), np.zeros(4, dtype=bool)])
    assert safe_sums(sums, contributors).all()


def test_items_of_two_numbers_are_refused():
    with pytest.raises(ValueError, match="3 items, but 2 of contributors"):
        safe_sums(np.ones((1, 3), dtype=bool), np.ones((1, 2), dtype=bool))
