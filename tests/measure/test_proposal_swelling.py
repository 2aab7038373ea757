"""Metal that shows wider than it is shows as much longer: the log's sizes bring tips back.

That screws measure wider on CT than they are, by less than a millimetre: Elliott MJ, Slakey JB.
Clin Orthop Relat Res 2014;472:1605. The phantom is invented, its truth is by construction.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from registry.domain.directions import Side
from registry.measure.proposals.finding import find_screws
from registry.measure.proposals.records import LoggedScrew
from registry.measure.proposals.swelling import swelling_mm, without_swelling
from tests.measure.construct_phantom import Scene, draw, screw, screw_parts, spine

BLOOM_MM, THREAD_MM, DIAMETER_MM = 0.5, 0.35, 6.5


def bloomed(item):
    """Return a screw as its metal shows: of the thread's mean width, larger by the bloom."""
    diameter = item.diameter - 2 * THREAD_MM + 2 * BLOOM_MM
    return replace(item, tip=item.tip + BLOOM_MM * item.way, diameter=diameter)


@pytest.fixture(scope="module")
def pairs():
    """Each drawn screw with the log's entry of it and what was found."""
    vertebrae = spine(("L3", "L4"))
    screws = [screw(item, side, diameter=DIAMETER_MM) for item in vertebrae for side in Side]
    metal = [part for item in screws for part in screw_parts(bloomed(item))]
    found = find_screws(*draw(Scene([], screws, metal), spacing=(0.65, 0.65, 1.0), margin=8.0))
    together = []
    for item in screws:
        nearest = min(found, key=lambda each: np.linalg.norm(each.axis.tip_mm - item.tip))
        together.append((item, (LoggedScrew(item.level, item.side, 1, DIAMETER_MM), nearest)))
    return together


def tip_errors_mm(pairs, matched) -> np.ndarray:
    """Return how far beyond the drawn tip each lies, along the drawn screw."""
    return np.array(
        [
            (found.axis.tip_mm - item.tip) @ item.way
            for (item, _), (_, found) in zip(pairs, matched, strict=True)
        ]
    )


def test_tips_come_back_by_as_much_as_the_metal_is_too_wide(pairs):
    matched = [each for _, each in pairs]
    assert len({found for _, found in matched}) == 4
    assert swelling_mm(matched) == pytest.approx(BLOOM_MM, abs=0.12)
    assert tip_errors_mm(pairs, matched).mean() > 0.3
    corrected = tip_errors_mm(pairs, without_swelling(matched))
    assert np.abs(corrected).max() < 0.3
    for (_, before), (_, after) in zip(matched, without_swelling(matched), strict=True):
        assert after.axis.entry_mm == before.axis.entry_mm
        assert after.axis.direction == pytest.approx(before.axis.direction, abs=1e-9)


def test_one_wrong_size_in_the_log_moves_no_tip(pairs):
    matched = [each for _, each in pairs]
    (logged, found), *rest = matched
    wrong = [(replace(logged, diameter_mm=DIAMETER_MM + 2.0), found), *rest]
    moved = tip_errors_mm(pairs, without_swelling(wrong))
    assert moved == pytest.approx(tip_errors_mm(pairs, without_swelling(matched)), abs=0.1)


@pytest.mark.parametrize(
    "sizes",
    [(DIAMETER_MM, DIAMETER_MM, None, None), (4.5, 5.5, 7.5, 8.5), (3.0,) * 4, (9.5,) * 4],
    ids=["two known", "sizes that do not agree", "all far too thin", "all far too wide"],
)
def test_tips_stay_where_the_logs_sizes_tell_nothing(pairs, sizes):
    matched = [
        (replace(logged, diameter_mm=size), found)
        for (_, (logged, found)), size in zip(pairs, sizes, strict=True)
    ]
    assert swelling_mm(matched) is None
    assert without_swelling(matched) == tuple(matched)
