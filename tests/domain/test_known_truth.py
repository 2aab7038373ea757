from __future__ import annotations

from decimal import Decimal

import pytest

from registry.domain.directions import Direction
from registry.domain.known_truth import Purpose, is_asked, judge, seen_truth


def extents(**out: str) -> dict[Direction, Decimal | None]:
    walls: dict[Direction, Decimal | None] = dict.fromkeys(Direction, Decimal(0))
    return walls | {Direction(wall): Decimal(mm) for wall, mm in out.items()}


@pytest.mark.parametrize(
    ("truth", "read", "told"),
    [
        ({}, {}, ""),
        ({"medial": "2.0"}, {"medial": "1.9"}, "breached missed outside"),
        ({"medial": "2.0"}, {"medial": "2.0"}, "breached outside"),
        ({"medial": "3.4"}, {}, "breached missed outside contained"),
        ({"medial": "3.4"}, {"lateral": "3.0"}, "breached outside"),
        ({"lateral": "0.3"}, {}, "outside contained"),
        ({"lateral": "1.9"}, {"caudal": "2.0"}, "outside alarm"),
        # The wall of the body enters no pedicle grade.
        ({"anterior": "4.0"}, {}, ""),
    ],
)
def test_a_reading_beside_the_truth_is_found_missed_or_a_false_alarm(truth, read, told):
    found = judge("L4", extents(**truth), extents(**read))
    words = [
        ("breached", found.is_breached),
        ("missed", found.is_missed),
        ("outside", found.is_outside),
        ("contained", found.is_called_contained),
        ("alarm", found.is_false_alarm),
    ]
    assert " ".join(word for word, is_so in words if is_so) == told


def test_a_reading_without_a_grade_misses_nothing_and_a_truth_without_one_judges_nothing():
    nothing = dict.fromkeys(Direction)
    found = judge("L4", extents(medial="5.0"), nothing)
    assert (found.is_breached, found.is_missed, found.is_called_contained) == (True, False, False)
    assert judge("L4", nothing, extents()) is None
    # At S1 the medial and caudal walls alone are needed.
    sacral = nothing | {Direction.MEDIAL: Decimal("2.1"), Direction.CAUDAL: Decimal(0)}
    assert judge("S1", sacral, extents(medial="2.4")).is_breached


def test_what_ct_does_not_show_is_no_truth_to_be_missed():
    seen = seen_truth(extents(medial="0.2", lateral="0.3"), Decimal("0.3"))
    assert (seen[Direction.MEDIAL], seen[Direction.LATERAL]) == (0, Decimal("0.3"))


def test_practice_asks_for_every_screw_and_what_is_mixed_in_for_the_breached_and_one_more():
    truths = [extents(), extents(medial="2.5"), extents(), extents(caudal="4.0")]
    levels = ["L3", "L3", "L4", "L4"]
    assert is_asked(Purpose.PRACTICE, levels, truths) == [True] * 4
    assert is_asked(Purpose.MIXED, levels, truths) == [True, True, False, True]
    assert is_asked(Purpose.MIXED, levels[:1], truths[:1]) == [False]
