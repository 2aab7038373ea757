"""Which first readings ask for a second, and the recorded draw."""

from __future__ import annotations

import hashlib
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.domain.directions import Direction
from registry.domain.second_reading import SecondReadingRule, is_drawn, reason_for_second

SHARE = Decimal("0.1")


def reason(extent="0", *, near=False, low=False, drawn=False, reads_all=False):
    return reason_for_second(
        {Direction.MEDIAL: Decimal(extent)},
        is_near_cut_off=near,
        is_low_confidence=low,
        is_drawn=drawn,
        rule=SecondReadingRule(reads_all=reads_all),
    )


@pytest.mark.parametrize(
    ("given_as", "expected"),
    [
        ({}, None),
        ({"extent": "1.9"}, None),
        ({"extent": "2.0"}, "2 mm or more"),
        ({"near": True}, "near a cut-off"),
        ({"low": True}, "low confidence"),
        ({"drawn": True}, "drawn at random"),
        ({"near": True, "drawn": True, "extent": "3"}, "near a cut-off"),
        ({"low": True, "drawn": True}, "low confidence"),
        ({"reads_all": True}, "every screw is read twice"),
    ],
)
def test_a_second_is_asked_for_by_the_unit_s_rule(given_as, expected):
    assert reason(**given_as) == expected


def test_a_body_extent_asks_for_nothing():
    extents = {Direction.ANTERIOR: Decimal(9), Direction.MEDIAL: Decimal(0)}
    rule = SecondReadingRule()
    how = {"is_near_cut_off": False, "is_low_confidence": False, "is_drawn": False}
    assert reason_for_second(extents, rule=rule, **how) is None


def test_the_same_seed_draws_the_same_screws_for_ever():
    drawn = [screw for screw in range(1, 201) if is_drawn("c0ffee", screw, SHARE)]
    # Worked out a second time, plainly: the first 8 bytes of SHA-256 (FIPS 180-4) as a fraction.
    plain = [
        screw
        for screw in range(1, 201)
        if int(hashlib.sha256(f"c0ffee|{screw}".encode()).hexdigest()[:16], 16) / 2**64 < 0.1
    ]
    assert drawn == plain
    assert drawn != [screw for screw in range(1, 201) if is_drawn("beef", screw, SHARE)]


def test_the_share_is_about_what_was_asked_for():
    count = sum(is_drawn("seed", screw, SHARE) for screw in range(20_000))
    # Five standard deviations of a binomial with n = 20,000 and p = 0.1: 5 x 42.4.
    assert abs(count - 2000) < 213


@given(st.text(max_size=20), st.integers(1, 10**9), st.decimals(0, 1, places=3))
def test_a_greater_share_draws_the_same_screws_and_more(seed, screw, share):
    assert is_drawn(seed, screw, Decimal(1))
    assert not is_drawn(seed, screw, Decimal(0))
    if is_drawn(seed, screw, share):
        assert is_drawn(seed, screw, min(Decimal(1), share + Decimal("0.1")))
