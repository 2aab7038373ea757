"""Whole tenths: what is measured is floored and rounded, what is typed is taken as typed."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.domain.millimetres import measured_to_stored, parse_tenths, to_tenths

FLOOR = Decimal("0.3")


@pytest.mark.parametrize(
    ("measured", "stored"),
    [
        (0.0, "0.0"),
        (0.29, "0.0"),
        (0.2999, "0.0"),
        (0.3, "0.3"),
        (0.34, "0.3"),
        (0.35, "0.4"),
        (1.94, "1.9"),
        (1.95, "2.0"),
        (2.05, "2.1"),
        (2.15, "2.2"),
        (3.95, "4.0"),
        (5.949, "5.9"),
    ],
)
def test_a_measured_extent_is_floored_then_rounded_half_up(measured, stored):
    assert measured_to_stored(measured, FLOOR) == Decimal(stored)


@given(st.integers(0, 6000))
def test_half_up_agrees_with_whole_numbers(hundredths):
    plain = Decimal((hundredths + 5) // 10) / 10
    assert to_tenths(Decimal(hundredths) / 100) == plain


@given(st.integers(0, 600))
def test_what_is_typed_is_taken_as_typed(tenths):
    text = f"{tenths // 10}.{tenths % 10}"
    assert parse_tenths(text) * 10 == tenths
    assert measured_to_stored(float(text), Decimal(0)) == parse_tenths(text)


@pytest.mark.parametrize(
    "text", ["", "-0.1", "2.11", "2,1", "1e3", "nan", "inf", "2.1mm", "\u0662.1", "1_0", "--1"]
)
def test_what_is_no_such_number_is_refused(text):
    with pytest.raises(ValueError, match="give"):
        parse_tenths(text)
