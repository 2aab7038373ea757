"""What a pack for the morbidity meeting may say, and the order of its pages."""

from __future__ import annotations

from decimal import Decimal
from itertools import permutations

import pytest

from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.levels import LEVELS
from registry.domain.meeting import (
    AtLeast,
    ChosenBy,
    chosen_words,
    cover_faults,
    is_asked_for,
    page_place,
)


def walls(mm: str) -> dict[Direction, Decimal | None]:
    return dict.fromkeys(PEDICLE_WALLS, Decimal(0)) | {Direction.MEDIAL: Decimal(mm)}


# 2 and 4 mm belong to the worse grade: J Robot Surg 2024, doi:10.1007/s11701-024-02001-w (C 2 to
# under 4, D 4 to under 6), so that "2 mm or more" is C and worse.
@pytest.mark.parametrize(
    ("mm", "any_extent", "two", "four"),
    [
        ("0.0", False, False, False),
        ("0.3", True, False, False),
        ("1.9", True, False, False),
        ("2.0", True, True, False),
        ("3.9", True, True, False),
        ("4.0", True, True, True),
    ],
)
def test_a_bound_belongs_to_what_is_asked_for(mm, any_extent, two, four):
    found = [is_asked_for(walls(mm), each) for each in AtLeast]
    assert found == [True, any_extent, two, four]


def test_a_screw_that_was_not_read_is_asked_for_with_every_other_alone():
    assert [is_asked_for(None, each) for each in AtLeast] == [True, False, False, False]


def test_pages_follow_level_side_and_extent_and_nothing_of_case_or_person():
    screws = [("L4", "L", "4.0"), ("T9", "R", "0.0"), ("L4", "L", "2.0"), ("L4", "R", "6.0")]
    expected = [("T9", "R"), ("L4", "L"), ("L4", "L"), ("L4", "R")]
    for ids in permutations(range(1, 5)):
        placed = sorted(
            (page_place(code, side, walls(mm), f"P{number}", number), code, side, mm)
            for number, (code, side, mm) in zip(ids, screws, strict=True)
        )
        assert [each[1:3] for each in placed] == expected
        assert [each[3] for each in placed][1:3] == ["4.0", "2.0"]


def test_screws_that_are_alike_do_not_come_in_the_order_in_which_they_were_entered():
    places = [page_place("L4", "L", walls("2.0"), "P1", number) for number in range(1, 9)]
    assert sorted(places) != places
    assert len(set(places)) == len(places)


@pytest.mark.parametrize(
    ("words", "holds"),
    [
        ("to talk about the medial wall at L4, 2 mm or more", []),
        ("as Anna Berg wished", ["Anna Berg", "Berg", "Anna"]),
        ("as anna berg wished", ["Anna Berg"]),
        ("Anna asked for it", ["Anna"]),
        ("Dr Falk and the dr", ["Dr Falk", "Falk"]),
        ("Berg", ["Berg"]),
        ("the lead chose; Bergen is a town", []),
        ("like OP-12", ["OP-12"]),
        ("like op-12", ["OP-12"]),
        ("of 2026-03-31", ["day"]),
        ("of 31st March", ["day"]),
        ("on Mar. 31", ["day"]),
        ("it may take 2 mm; margin 3, decided 4", []),
        ("of 31. 3. 2026", ["day"]),
        ("number 1234567", ["five digits"]),
        ("x" * 201, ["201 characters"]),
    ],
)
def test_a_cover_s_own_words_name_nobody(words, holds):
    found = cover_faults(words, ["Anna Berg", "Lena Lead", "Dr Falk"], ["OP-12"])
    assert len(found) == len(holds)
    assert all(one in fault.what for one, fault in zip(holds, found, strict=True))


def test_how_screws_were_chosen_is_said_without_naming_a_case():
    said = {chosen_words(by, least, 2) for by in ChosenBy for least in AtLeast}
    assert len(said) == len(ChosenBy) * len(AtLeast)
    assert all(words.endswith(".") for words in said)


def test_every_level_that_names_structures_says_where_they_stand():
    assert all(bool(each.at_risk) is bool(each.at_risk_source) for each in LEVELS)
