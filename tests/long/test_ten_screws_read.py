"""Ten screws read by the keyboard alone, and by the mouse alone: presses, clicks and seconds.

The seconds are a script's, not a person's: they say how long the program makes one wait. The room
of the journeys reads two by keys and five by mouse in each run.
"""

from __future__ import annotations

import pytest

from tests.journeys.at_the_desk import Desk, find_screws, owed
from tests.journeys.conftest import (
    made_unit,
    made_unit_with_ct,
    own_unit_with_ct,
    signed_in,
    visiting,
)
from tests.journeys.counting import Hands, told_in_words
from tests.journeys.test_reading_by_keyboard import TELL_THE_MOUSE, read_by_keys
from tests.journeys.test_reading_by_mouse import (
    WALLS,
    grade_of,
    is_near_cut_off,
    read,
    truth_of_all,
)

__all__ = ["made_unit", "made_unit_with_ct", "own_unit_with_ct", "signed_in", "visiting"]

pytestmark = pytest.mark.browser

SCREWS = 10


def read_by_mouse(page, shank_mm):
    desk = Desk(page)
    told = read(desk, shank_mm)
    desk.save()
    return told


@pytest.mark.parametrize(("hand", "read_one"), [("keys", read_by_keys), ("mouse", read_by_mouse)])
def test_ten_screws_are_read_and_no_breach_passes_for_contained(
    own_unit_with_ct, signed_in, hand, read_one
):
    hands = Hands()
    visit = signed_in(own_unit_with_ct, "registrar")
    hands.follow(visit.context)
    page = visit.open("/worklist")
    places = find_screws(page, owed(page))
    page.get_by_role("link", name="Read the next screw").click()
    page.locator("#metal[data-scale]").wait_for()
    if hand == "keys":
        page.evaluate(TELL_THE_MOUSE)
    lines, missed, wrong = [], [], []
    for _ in range(SCREWS):
        name = page.locator("h1").inner_text()
        hands.told()
        told = read_one(page, places[name])
        lines.append((name, *hands.told()))
        truth = truth_of_all()[name]
        print(f"\n{told_in_words(*lines[-1])}; grade {told.grade}, drawn {grade_of(truth)}", end="")
        if told.grade == "A" and max(truth[wall] for wall in WALLS) >= 2.0:
            missed.append(name)
        if told.grade != grade_of(truth) and not is_near_cut_off(truth):
            wrong.append(name)
    print("\n" + told_in_words("all ten", *map(sum, list(zip(*lines, strict=True))[1:])))
    assert len({name for name, *_ in lines}) == SCREWS
    assert missed == []
    assert wrong == []
    unused = {"keys": 2, "mouse": 1}[hand]
    assert not any(line[unused] for line in lines), "another hand was needed"
