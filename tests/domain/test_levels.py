"""Levels as people write them. The lists of spellings are common practice, no source."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.levels import LEVELS, Region, level, parse_level

# Typed out from cranial; T13 and L6 exist in some people.
ORDER = [
    *("C2", "C3", "C4", "C5", "C6", "C7"),
    *("T1", "T2", "T3", "T4", "T5", "T6", "T7", "T8", "T9", "T10", "T11", "T12", "T13"),
    *("L1", "L2", "L3", "L4", "L5", "L6"),
    *("S1", "S2 alar-iliac", "ilium"),
]


def test_the_levels_stand_from_cranial_to_caudal():
    assert [item.code for item in LEVELS] == ORDER
    assert [item.order for item in LEVELS] == list(range(len(ORDER)))


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("L4", "L4"),
        (" l 4 ", "L4"),
        ("L04", "L4"),
        ("Th12", "T12"),
        ("TH 1", "T1"),
        ("D4", "T4"),
        ("d10", "T10"),
        ("t13", "T13"),
        ("c2", "C2"),
        ("s1", "S1"),
        ("S2 alar-iliac", "S2 alar-iliac"),
        ("s2_alar_iliac", "S2 alar-iliac"),
        ("S2AI", "S2 alar-iliac"),
        ("Ilium", "ilium"),
        ("iliac", "ilium"),
    ],
)
def test_a_level_is_read_however_it_is_spelled(text, code):
    assert parse_level(text).code == code


@pytest.mark.parametrize(
    "text", ["", "C1", "C8", "T0", "T14", "L7", "L", "4", "S3", "L4/5", "L-4x", "L4 L5", "ThL4"]
)
def test_what_is_no_level_is_refused_with_the_list(text):
    with pytest.raises(ValueError, match="C2 to C7, T1 to T13, L1 to L6, S1"):
        parse_level(text)


@given(st.text(max_size=12))
def test_any_text_gives_a_level_or_a_sentence(text):
    try:
        said = parse_level(text).code
    except ValueError as error:
        said = str(error)
    assert said in ORDER or said.startswith("use C2")


@given(st.sampled_from(ORDER), st.booleans(), st.sampled_from(["", " ", "_"]))
def test_every_code_reads_as_itself_in_any_case(code, is_lower, before):
    text = before + (code.lower() if is_lower else code.upper())
    assert parse_level(text).code == code


def test_a_grade_needs_the_walls_that_the_level_has():
    for item in LEVELS:
        if item.region is Region.PELVIC:
            assert not item.has_pedicle_grade
        elif item.code == "S1":
            assert item.needed_walls == {Direction.MEDIAL, Direction.CAUDAL}
        else:
            assert item.needed_walls == set(PEDICLE_WALLS)
    with pytest.raises(KeyError):
        level("T14")
