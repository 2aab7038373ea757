"""A unit held against its past: what is expected adds up to what the quarters before have seen."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from reports.frame import frame
from reports.tables.quarters_before import BY_CONSTRUCTION, LEAST_EARLIER, expected_from_before
from reports.tables.rates import Question
from reports.tables.surgeon_table import Expectation
from tests.tables.units import a_screw, extents

# Ten operations of ten screws a quarter; so many of each hundred are breached.
BREACHED = (12, 9, 20, 5)
STARTS = (date(2025, 1, 5), date(2025, 4, 5), date(2025, 7, 5), date(2025, 10, 5))


def a_unit():
    return frame(
        a_screw(
            1000 * turn + number,
            patient=f"P{turn}-{number // 10}",
            case_id=100 * turn + number // 10,
            number=1 + number % 10 // 2,
            side="LR"[number % 2],
            operated_on=start.replace(day=5 + number // 10),
            extents_mm=extents(medial="2.4" if number < count else "0.0"),
        )
        for turn, (start, count) in enumerate(zip(STARTS, BREACHED, strict=True))
        for number in range(100)
    )


UNIT = a_unit()
QUARTER = np.arange(400) // 100
EVENTS = np.concatenate([np.arange(100) < count for count in BREACHED])


def test_without_a_model_it_is_the_rate_of_the_quarters_before():
    found = expected_from_before(UNIT, Question(), Expectation(np.full(400, 46 / 400), "all alike"))
    # 12 breaches before the second quarter are too few; 21 and 41 stand before the others.
    assert np.isnan(found.shares[QUARTER < 2]).all()
    assert found.shares[QUARTER == 2] == pytest.approx(21 / 200)
    assert found.shares[QUARTER == 3] == pytest.approx(41 / 300)
    assert found.words.startswith(
        "Expected of each operation: the unit's rate over all quarters before its own."
    )
    assert "The first 20 operations stand before" in found.words
    later = expected_from_before(
        UNIT, Question(start=date(2025, 10, 1)), Expectation(np.full(400, 46 / 400), "all alike")
    )
    assert later.shares[QUARTER == 3] == pytest.approx(41 / 300)
    assert "stand before" not in later.words


def test_a_model_keeps_its_differences_and_takes_the_level_of_the_quarters_before():
    shares = np.where(np.arange(400) % 2, 0.2, 0.05)
    given = Expectation(shares, "modelled", "the unit's case-mix model (level)")
    found = expected_from_before(UNIT, Question(), given)
    odds = found.shares / (1 - found.shares)
    third = QUARTER == 2
    assert odds[third][1] / odds[third][0] == pytest.approx((0.2 / 0.8) / (0.05 / 0.95))
    # By its own definition, in plain numbers: the same move makes the first two quarters agree.
    moved = (shares / (1 - shares)) * (odds[third][0] / (0.05 / 0.95))
    assert (moved / (1 + moved))[QUARTER < 2].sum() == pytest.approx(EVENTS[QUARTER < 2].sum())
    assert "by the unit's case-mix model (level), at the level of all quarters" in found.words


def test_with_too_little_before_it_stays_as_given_and_says_that_it_agrees_by_construction():
    given = Expectation(np.full(400, 0.1), "All alike.")
    early = Question(end=date(2025, 6, 30))
    found = expected_from_before(UNIT[QUARTER < 2], early, Expectation(given.shares[:200], "A."))
    assert sum(BREACHED[:1]) < LEAST_EARLIER
    assert found.words == f"A. {BY_CONSTRUCTION}"
    assert found.shares == pytest.approx(0.1)
