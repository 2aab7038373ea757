"""Killed with -9 in mid-step: the ledger is as it was, or whole, and the next worker goes on.

A few kills here, many in `tests/long`; the moments are drawn from a seed.
"""

from __future__ import annotations

import random

from tests.build.killed_worker import kill_while_working

KILLS = 1


def test_a_killed_worker_leaves_nothing_by_halves_and_the_next_goes_on(place):
    drawn = random.Random(11)  # noqa: S311 - a test's own draw
    for number in range(1, KILLS + 1):
        kill_while_working(place, number, drawn)
