"""Found screws are given to the log's, and left alone where nothing tells which they are.

The phantoms are invented: drawn bone without metal, and screws through it whose level and side are
known by construction. A wrong level would be worse than none, so every test counts wrong ones.
"""

from __future__ import annotations

import numpy as np
import pytest

from registry.domain.directions import Side
from registry.measure.axes import ScrewAxis
from registry.measure.proposals.finding import FoundScrew
from registry.measure.proposals.matching import match_screws
from registry.measure.proposals.records import LoggedScrew
from tests.measure.construct_phantom import Scene, Screw, draw, screw, spine

LEFT, RIGHT = Side.LEFT, Side.RIGHT
LUMBAR = ("L1", "L2", "L3", "L4")


def screws_in(vertebrae, sides=(LEFT, RIGHT), seed=1, **sizes):
    """Return a screw a level and side, each a little beside its plan."""
    rng = np.random.default_rng(seed)
    return [
        screw(
            item,
            side,
            inwards=float(rng.normal(12, 3)),
            up=float(rng.normal(0, 5)),
            shift=tuple(rng.normal(0, 1.5, 2)),
            **sizes,
        )
        for item in vertebrae
        for side in sides
    ]


def found_of(items):
    return [
        FoundScrew(
            ScrewAxis(tuple(item.entry), tuple(item.tip)),
            item.diameter / 2 - 0.25,
            item.diameter + 0.2,
            0.5,
        )
        for item in items
    ]


def logged_of(items):
    return [LoggedScrew(each.level, each.side, 1, each.diameter, each.length) for each in items]


def bones(vertebrae):
    return draw(Scene(vertebrae, [], []), spacing=(2.0, 2.0, 2.0))


def matched_places(matching, items):
    """Return the places of the log that were matched; every one of them to its own screw."""
    tips = {tuple(item.tip): (item.level, item.side) for item in items}
    places = [(each.level, each.side) for each, _ in matching.matched]
    assert places == [tips[screw.axis.tip_mm] for _, screw in matching.matched]
    return places


@pytest.fixture(scope="module")
def lumbar():
    vertebrae = spine(LUMBAR)
    return screws_in(vertebrae), bones(vertebrae)


@pytest.mark.parametrize(
    ("sides", "bow", "turn"),
    [
        ((LEFT, RIGHT), 25.0, 28.0),
        ((LEFT,), 25.0, 28.0),
        ((RIGHT,), 25.0, 28.0),
        ((LEFT,), -25.0, -28.0),
        ((RIGHT,), 0.0, 0.0),
    ],
)
def test_sides_and_levels_are_told_also_where_a_curve_crosses_the_body_s_middle(sides, bow, turn):
    vertebrae = spine(("T10", "T11", "T12", "L1", "L2"), pitch=30.0, bow_mm=bow, turn_deg=turn)
    items = screws_in(vertebrae, sides)
    matching = match_screws(found_of(items), logged_of(items), *bones(vertebrae))
    assert matched_places(matching, items) == [(each.level, each.side) for each in items]
    assert matching.unmatched == matching.missing == matching.notes == ()


def test_a_screw_that_was_not_found_is_missing_and_the_others_keep_their_levels(lumbar):
    items, scan = lumbar
    kept = [each for each in items if (each.level, each.side) != ("L2", RIGHT)]
    matching = match_screws(found_of(kept), logged_of(items), *scan)
    assert len(matched_places(matching, items)) == 7
    assert [(each.level, each.side) for each in matching.missing] == [("L2", RIGHT)]


def test_a_screw_that_is_not_in_the_log_is_told_with_its_place(lumbar):
    items, scan = lumbar
    kept = [each for each in items if (each.level, each.side) != ("L3", LEFT)]
    matching = match_screws(found_of(items), logged_of(kept), *scan)
    assert len(matched_places(matching, items)) == 7
    words = [each.words for each in matching.unmatched]
    assert words == ["on the left between the screws of L2 and L4"]


def test_a_level_without_screws_is_told_by_the_gap_it_leaves(lumbar):
    items, scan = lumbar
    kept = [each for each in items if each.level != "L3"]
    matching = match_screws(found_of(kept), logged_of(items), *scan)
    assert len(matched_places(matching, items)) == 6
    assert [each.level for each in matching.missing] == ["L3", "L3"]


def test_one_level_fewer_at_an_end_is_left_open_and_said(lumbar):
    items, scan = lumbar
    kept = [each for each in items if each.level != "L4"]
    plain = [LoggedScrew(each.level, each.side) for each in items]
    matching = match_screws(found_of(kept), plain, *scan)
    assert matching.matched == ()
    assert len(matching.unmatched) == 6
    assert len(matching.missing) == 8
    assert "do not tell" in matching.notes[0]
    assert "L1, L2, L3, L4" in matching.notes[0]


def test_sizes_tell_what_spacing_does_not(lumbar):
    _, scan = lumbar
    vertebrae = spine(LUMBAR)
    items = [
        screw(item, side, diameter=diameter, length=length)
        for item, diameter, length in zip(
            vertebrae, (5.0, 6.0, 7.0, 8.0), (35.0, 45.0, 40.0, 55.0), strict=True
        )
        for side in (LEFT, RIGHT)
    ]
    matching = match_screws(found_of(items[:6]), logged_of(items), *scan)
    assert len(matched_places(matching, items)) == 6


def test_two_screws_of_one_pedicle_are_told_by_size_or_left_open(lumbar):
    items, scan = lumbar
    first = next(each for each in items if (each.level, each.side) == ("L2", LEFT))
    second = Screw("L2", LEFT, first.entry - [0, 0, 6], first.tip - [0, 0, 6], 4.5, 2)
    log = [*logged_of(items), LoggedScrew("L2", LEFT, 2, 4.5, first.length)]
    both = match_screws(found_of([*items, second]), log, *scan)
    pairs = {(each.level, each.side, each.number): found for each, found in both.matched}
    assert pairs["L2", LEFT, 2].axis.tip_mm == tuple(second.tip)
    assert pairs["L2", LEFT, 1].axis.tip_mm == tuple(first.tip)
    alike = Screw("L2", LEFT, second.entry, second.tip, first.diameter, 2)
    one = match_screws(found_of([*items, alike]), logged_of(items), *scan)
    assert len(one.matched) == 7
    assert len(one.unmatched) == 2
    assert any("cannot be told" in note for note in one.notes)


def test_a_log_with_its_sides_exchanged_is_noted(lumbar):
    items, scan = lumbar
    there = [each for each in items if each.side is LEFT or each.level == "L1"]
    log = [LoggedScrew(each.level, LEFT if each.side is RIGHT else RIGHT) for each in there]
    matching = match_screws(found_of(there), log, *scan)
    assert any("left and right exchanged" in note for note in matching.notes)


def test_nothing_found_and_nothing_logged_are_told_apart(lumbar):
    items, scan = lumbar
    assert len(match_screws([], logged_of(items), *scan).missing) == 8
    nothing = match_screws(found_of(items), [], *scan)
    assert nothing.unmatched[0].words.startswith("on the ")
    assert len(nothing.unmatched) == 8
