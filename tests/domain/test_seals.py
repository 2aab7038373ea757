"""Who may seal a quarter, with whom, and when; the rules are the design's, section 7."""

from __future__ import annotations

from datetime import date

import pytest

from registry.domain.reply import RoundFacts, quarter, stands_in_the_way
from registry.domain.seals import (
    SealState,
    Signer,
    can_stand_together,
    sealable_from,
    state_of,
    why_not_sealed,
)

LEAD = Signer(1, 11)
OPERATED = Signer(2, 12, frozenset({1, 2}))
OTHER_CASES = Signer(3, 13, frozenset({3}))
SAME_CASES = Signer(4, 14, frozenset({2}))
SHELL = Signer(5, None)
SECOND_ACCOUNT = Signer(6, 12)


@pytest.mark.parametrize(
    ("signer", "others", "is_asked", "may"),
    [
        (LEAD, [], False, True),
        (LEAD, [], True, False),
        (LEAD, [OPERATED], True, True),  # the lead is the one who took no part
        (LEAD, [LEAD], True, False),  # nobody countersigns for themselves
        (LEAD, [SHELL], True, False),  # nobody knows who sat at the shell
        (SHELL, [], False, True),
        (SHELL, [LEAD], True, True),
        (OPERATED, [], False, False),
        (OPERATED, [LEAD], False, True),
        (OPERATED, [OTHER_CASES], False, True),  # no case in which both took part
        (OPERATED, [SAME_CASES], False, False),
        (OPERATED, [SAME_CASES, LEAD], False, True),
        (OPERATED, [SECOND_ACCOUNT], False, False),  # the same person
    ],
)
def test_nobody_alone_seals_a_quarter_in_which_they_operated(signer, others, is_asked, may):
    assert (why_not_sealed([], signer, others, is_asked=is_asked) == []) is may
    assert why_not_sealed(["1 re-reading is owed"], signer, others, is_asked=is_asked)


def test_standing_together_is_the_same_both_ways_for_people():
    people = [LEAD, OPERATED, OTHER_CASES, SAME_CASES, SECOND_ACCOUNT]
    for one in people:
        for other in people:
            assert can_stand_together(one, other) is can_stand_together(other, one)


def test_a_quarter_waits_for_the_unit_s_delay():
    asked = quarter("2026Q3")
    day = sealable_from(asked, 30)
    facts = RoundFacts(date(2026, 10, 15), 0, 0, 0, day)
    found = stands_in_the_way(asked, facts, date(2026, 10, 30))
    assert [each.words for each in found] == ["the unit seals it from 2026-10-31 on"]
    assert stands_in_the_way(asked, facts, day) == []
    assert sealable_from(asked, 0) == date(2026, 10, 1)


@pytest.mark.parametrize(
    ("known", "state"),
    [
        ((False, False, False), SealState.DRAFT),
        ((False, False, True), SealState.COMMENTED),
        ((False, True, True), SealState.COUNTERSIGNED),
        ((True, False, True), SealState.SEALED),
    ],
)
def test_how_far_a_quarter_is(known, state):
    is_sealed, is_countersigned, has_comments = known
    assert (
        state_of(is_sealed=is_sealed, is_countersigned=is_countersigned, has_comments=has_comments)
        is state
    )
