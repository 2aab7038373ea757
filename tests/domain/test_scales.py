"""Grades at the exact bounds of each scale, as its source prints them.

The grades beside each table were typed from the source's words, not taken from the program.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.domain.directions import BODY_WALLS, PEDICLE_WALLS, Direction
from registry.domain.levels import LEVELS, Region
from registry.domain.scales import SCALES, grade, greatest_extent, scale_note

EXTENTS = ("0", "0.1", "1.9", "2.0", "3.9", "4.0", "5.9", "6.0")

AT_THE_BOUNDS = {
    # "A none; B e<2; C 2<=e<4; D 4<=e<6; E e>=6": J Robot Surg 2024,
    # doi:10.1007/s11701-024-02001-w; Han et al. J Neurosurg Spine 2019;30:615.
    "gertzbein-robbins": ("A", "B", "B", "C", "C", "D", "D", "E"),
    # "0 none; 1 <2; 2 2-4; 3 >4 (2.0 and 4.0 not assigned)": Puvanesarajah et al. World J Orthop
    # 2014;5:112. Where the source assigns nothing the ledger takes the worse grade, as its own
    # words say.
    "two-millimetre-steps": ("0", "1", "1", "2", "2", "3", "3", "3"),
    # "1 inside; 2 up to 2; 3 2-4; 4 4-6; 5 more than 6": Laine et al. 2000 as tabulated in
    # J Orthop Surg Res 2020, doi:10.1186/s13018-020-01798-0.
    "laine": ("1", "2", "2", "2", "3", "3", "4", "4"),
    # "0 none; 1 <2; 2 >=2 and <4; 3 >=4": Neo et al. 2005 as tabulated in the same page.
    "neo": ("0", "1", "1", "2", "2", "3", "3", "3"),
}
# "medial <=2, lateral <=4": Modi et al. 2008.
SAFE_ZONE = {
    Direction.MEDIAL: ("inside",) * 4 + ("outside",) * 4,
    Direction.LATERAL: ("inside",) * 6 + ("outside",) * 2,
    Direction.CRANIAL: ("inside",) * 8,
    Direction.CAUDAL: ("inside",) * 8,
}
ACCEPTABLE = {
    "gertzbein-robbins": {"A", "B"},  # "A+B = clinically acceptable (e<2)", the same source
    "two-millimetre-steps": {"0", "1"},  # "grade 0, or 0-1, by author", the same source
    "laine": {"1", "2"},  # "1-2", the same source
    "neo": {"0"},  # "0 only", the same source
    "safe-zone": {"inside"},  # "inside both", the same source
}
extents = st.integers(0, 600).map(lambda tenths: Decimal(tenths) / 10)
everywhere = st.fixed_dictionaries(dict.fromkeys(Direction, extents))


def contained(**walls):
    return dict.fromkeys(PEDICLE_WALLS, Decimal("0.0")) | {
        Direction(wall): Decimal(value) for wall, value in walls.items()
    }


@pytest.mark.parametrize("wall", PEDICLE_WALLS)
@pytest.mark.parametrize("scale", AT_THE_BOUNDS)
def test_each_scale_grades_its_bounds_as_its_source_says(scale, wall):
    found = tuple(grade(contained(**{wall: extent}), "L4", scale) for extent in EXTENTS)
    assert found == AT_THE_BOUNDS[scale]


@pytest.mark.parametrize("wall", PEDICLE_WALLS)
def test_the_safe_zone_has_two_thresholds(wall):
    found = tuple(grade(contained(**{wall: extent}), "L4", "safe-zone") for extent in EXTENTS)
    assert found == SAFE_ZONE[wall]


def test_no_scale_stands_without_its_bounds_here():
    assert set(SCALES) == {*AT_THE_BOUNDS, "safe-zone"}
    assert {name: set(scale.acceptable) for name, scale in SCALES.items()} == ACCEPTABLE
    assert all(scale.source and scale.bounds for scale in SCALES.values())


def test_laine_and_gertzbein_robbins_part_at_exactly_two_millimetres():
    # Half-open bounds against closed ones: "2.0 is C in one and acceptable in the other".
    at_two = contained(lateral="2.0")
    assert grade(at_two, "L4", "gertzbein-robbins") not in ACCEPTABLE["gertzbein-robbins"]
    assert grade(at_two, "L4", "laine") in ACCEPTABLE["laine"]


@given(everywhere, st.sampled_from(sorted(AT_THE_BOUNDS)))
def test_the_greatest_pedicle_extent_alone_decides(walls, scale):
    greatest = max(walls[wall] for wall in PEDICLE_WALLS)
    assert grade(walls, "T8", scale) == grade(contained(medial=greatest), "T8", scale)
    assert greatest_extent(walls) == greatest


@given(everywhere, st.sampled_from(sorted(SCALES)), st.sampled_from(BODY_WALLS), extents)
def test_a_body_extent_enters_no_pedicle_grade(walls, scale, wall, extent):
    assert grade(walls, "L3", scale) == grade(walls | {wall: extent}, "L3", scale)


@given(everywhere, st.sampled_from(sorted(SCALES)), st.sampled_from(PEDICLE_WALLS), extents)
def test_a_greater_extent_never_betters_a_grade(walls, scale, wall, extent):
    grades = SCALES[scale].grades
    worse = walls | {wall: max(walls[wall], extent)}
    assert grades.index(grade(worse, "L3", scale)) >= grades.index(grade(walls, "L3", scale))


@pytest.mark.parametrize("missing", PEDICLE_WALLS)
def test_a_wall_that_was_not_measured_leaves_no_grade(missing):
    assert grade(contained() | {missing: None}, "L4") is None
    assert grade(contained(medial="7") | {Direction.LATERAL: None}, "L4") is None


def test_at_s1_medial_and_caudal_are_enough_and_others_count_when_read():
    two = {Direction.MEDIAL: Decimal(0), Direction.CAUDAL: Decimal("0.5")}
    assert grade(two, "S1") == "B"
    assert grade(two | {Direction.LATERAL: Decimal("4.1")}, "S1") == "D"
    assert grade({Direction.MEDIAL: Decimal(0)}, "S1") is None


@pytest.mark.parametrize("level", ["S2 alar-iliac", "ilium"])
def test_the_pelvis_has_no_pedicle_grade(level):
    assert all(grade(contained(medial="3"), level, scale) is None for scale in SCALES)


def test_outside_its_regions_a_grade_carries_a_note():
    assert scale_note("C5", "gertzbein-robbins") == (
        "Gertzbein-Robbins was made for thoracic, lumbar, sacral levels, not for cervical"
    )
    assert "cervical" in scale_note("L4", "neo")
    fitting = [item.code for item in LEVELS if item.region in {Region.THORACIC, Region.LUMBAR}]
    assert not any(scale_note(code, "gertzbein-robbins") for code in fitting)
