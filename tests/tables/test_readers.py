"""Readers' pairs: order and sides never matter, and groups are counts by plain Python."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports.statistics.agreement import Weights
from reports.tables.readers import ReadPair, agreement, by_readers, by_reason, drifts

GRADES = ("A", "B", "C", "D", "E")
LABELS = {1: "reader 1", 2: "reader 2", 3: "reader 3"}

millimetres = st.integers(0, 80).map(lambda tenths: tenths / 10)
pairs_of_readings = st.lists(
    st.builds(
        lambda patient, readers, mm, month, why: ReadPair(
            f"P{patient}", readers, tuple(map(grade, mm)), mm, (date(2026, month, 1),) * 2, why
        ),
        st.integers(0, 6),
        st.sampled_from([(1, 2), (2, 1), (1, 3), (3, 2)]),
        st.tuples(millimetres, millimetres),
        st.integers(1, 12),
        st.sampled_from(["drawn at random", "2 mm or more"]),
    ),
    max_size=25,
)


def grade(mm):
    return "A" if mm == 0 else GRADES[1 + (mm >= 2) + (mm >= 4) + (mm >= 6)]


def turned(pair):
    return replace(
        pair,
        readers=pair.readers[::-1],
        grades=pair.grades[::-1],
        extents_mm=pair.extents_mm[::-1],
        read_on=pair.read_on[::-1],
    )


def near(one, other):
    for name in ("value", "low", "high"):
        first, second = getattr(one, name), getattr(other, name)
        assert (first is None) == (second is None), name
        assert first is None or first == pytest.approx(second, abs=1e-7), name


@settings(deadline=None, max_examples=15)
@given(pairs_of_readings)
def test_neither_order_nor_who_read_first_matters(pairs):
    found = agreement(pairs, "gertzbein-robbins", GRADES)
    again = agreement(pairs[::-1], "gertzbein-robbins", GRADES)
    other = agreement([turned(pair) for pair in pairs], "gertzbein-robbins", GRADES)
    for each in (again, other):
        for weights in Weights:
            near(found.kappa[weights], each.kappa[weights])
        near(found.ac1, each.ac1)
        near(found.observed, each.observed)
        near(found.icc_2_1, each.icc_2_1)
        near(found.breached_icc_3_1, each.breached_icc_3_1)
    assert other.table == tuple(zip(*found.table, strict=True))
    if pairs:
        assert found.limits.bias.value == pytest.approx(-other.limits.bias.value)
        assert found.limits.lower.value is None or found.limits.lower.value == pytest.approx(
            -other.limits.upper.value
        )


@settings(deadline=None, max_examples=15)
@given(pairs_of_readings)
def test_groups_are_the_counts_of_plain_python(pairs):
    reasons = {each.name: each.screws for each in by_reason(pairs, GRADES)}
    assert reasons == Counter(pair.why for pair in pairs)
    couples = {each.name: each for each in by_readers(pairs, GRADES, LABELS)}
    by_two = Counter(
        " and ".join(sorted(LABELS[reader] for reader in pair.readers)) for pair in pairs
    )
    assert {name: each.screws for name, each in couples.items()} == by_two
    for each in drifts(pairs):
        apart = [
            (mm[0] - mm[1]) * (1 if pair.readers[0] == each.reader else -1)
            for pair in pairs
            for mm in [pair.extents_mm]
            if each.reader in pair.readers
        ]
        assert each.screws == len(apart) == sum(screws for _, screws, _ in each.years)
        assert each.bias.value == pytest.approx(sum(apart) / len(apart))
