"""Which actions a quarter's report tells; what is expected is worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from registry.domain.agreed import AgreedAction, AgreedState, agreed_for, from_last_time
from registry.domain.reply import quarter

OPEN = AgreedAction(
    1, "2026Q1", "Ask for thinner slices", "Rita Reader", date(2026, 6, 30), date(2026, 5, 4),
    AgreedState.OPEN,
)  # fmt: skip
DONE = replace(OPEN, number=2, state=AgreedState.DONE, came_of_it="Asked")
EARLY, LATE = (replace(DONE, ended_on=day) for day in (date(2026, 6, 30), date(2026, 7, 1)))
OWN = replace(OPEN, number=3, period="2026Q3")
LATER = replace(OPEN, number=4, period="2026Q4")


@pytest.mark.parametrize(
    ("held", "last", "own"),
    [
        ([OPEN], [OPEN], []),
        ([EARLY], [], []),
        ([LATE], [LATE], []),
        ([OWN], [], [OWN]),
        ([LATER], [], []),
        ([OPEN, EARLY, LATE, OWN, LATER], [OPEN, LATE], [OWN]),
    ],
    ids=["open", "ended before", "ended since", "its own", "of a later quarter", "all"],
)
def test_a_report_tells_what_was_open_or_ended_since_its_quarter_began(held, last, own):
    asked = quarter("2026Q3")
    assert from_last_time(held, asked) == tuple(last)
    assert agreed_for(held, asked) == tuple(own)


def test_only_an_open_action_is_overdue_and_only_after_its_day():
    assert not OPEN.is_overdue(date(2026, 6, 30))
    assert OPEN.is_overdue(date(2026, 7, 1))
    assert not LATE.is_overdue(date(2026, 7, 2))


@pytest.mark.parametrize(
    ("day", "words"),
    [
        (date(2026, 6, 28), "2 days left"),
        (date(2026, 6, 29), "1 day left"),
        (date(2026, 6, 30), "due today"),
        (date(2026, 7, 1), "overdue by 1 day"),
        (date(2026, 8, 1), "overdue by 32 days"),
    ],
)
def test_how_an_action_stands_against_its_day_is_said_in_words(day, words):
    assert OPEN.due_words(day) == words
