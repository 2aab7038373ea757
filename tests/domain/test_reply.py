"""The right of reply: how a screw is read again, and what stands in a quarter's way."""

from __future__ import annotations

from datetime import date

import pytest

from registry.domain.problems import BadInputError
from registry.domain.readings import ReadingRole
from registry.domain.reply import (
    Again,
    RoundFacts,
    how_again,
    quarter,
    quarter_of,
    stands_in_the_way,
)

FIRST, SECOND, ADJUDICATION = ReadingRole.FIRST, ReadingRole.SECOND, ReadingRole.ADJUDICATION
Q3 = quarter("2026Q3")
AFTER, BEFORE = date(2026, 10, 20), date(2026, 10, 19)


@pytest.mark.parametrize(
    ("name", "first", "last"),
    [
        ("2026Q1", date(2026, 1, 1), date(2026, 3, 31)),
        ("2024Q2", date(2024, 4, 1), date(2024, 6, 30)),
        ("2026Q3", date(2026, 7, 1), date(2026, 9, 30)),
        ("2026Q4", date(2026, 10, 1), date(2026, 12, 31)),
    ],
)
def test_a_quarter_is_three_whole_months(name, first, last):
    found = quarter(name)
    assert (found.first, found.last) == (first, last)
    assert quarter_of(first) == quarter_of(last) == found


@pytest.mark.parametrize("name", ["2026Q0", "2026Q5", "2026q1", "26Q1", "", "0001Q1", "9999Q4"])
def test_what_is_no_quarter_is_refused(name):
    with pytest.raises(BadInputError, match="is no quarter"):
        quarter(name)


@pytest.mark.parametrize(
    ("roles", "is_owed", "is_held", "again"),
    [
        ((), False, True, Again.UNREAD),
        ((FIRST,), False, True, Again.SECOND),
        ((FIRST,), True, True, Again.OWED),
        ((FIRST,), False, False, Again.ELSEWHERE),
        ((FIRST, SECOND), False, True, Again.ADJUDICATION),
        ((FIRST, SECOND), True, True, Again.OWED),
        ((FIRST, SECOND, ADJUDICATION), False, True, Again.NEW_ADJUDICATION),
    ],
)
def test_a_screw_is_read_again_in_the_role_that_nobody_has_read_it_in(
    roles, is_owed, is_held, again
):
    assert how_again(frozenset(roles), is_owed=is_owed, is_held=is_held) is again


def facts(closes_on=date(2026, 10, 19), unanswered=0, rereadings=0, adjudications=0):
    return RoundFacts(closes_on, unanswered, rereadings, adjudications)


@pytest.mark.parametrize(
    ("known", "today", "lines"),
    [
        (facts(), AFTER, []),
        (facts(unanswered=2), AFTER, []),  # they had their days
        (facts(), BEFORE, []),  # everybody has answered
        (facts(unanswered=1), BEFORE, ["1 surgeon may still reply until 2026-10-19"]),
        (facts(closes_on=None), AFTER, ["the right of reply has not been opened"]),
        (facts(rereadings=4), AFTER, ["4 re-readings are owed"]),
        (facts(adjudications=1), AFTER, ["1 adjudication is owed"]),
        (facts(), date(2026, 9, 30), ["2026Q3 ends on 2026-09-30"]),
    ],
)
def test_what_stands_between_a_quarter_and_its_seal(known, today, lines):
    assert [each.words for each in stands_in_the_way(Q3, known, today)] == lines
