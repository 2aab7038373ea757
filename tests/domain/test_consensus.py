"""The unit's rule for what a screw's readings come to, case by case.

The rule is this project's own (common practice, no source); the expected results were worked out
by hand from its words, which stand beside each group.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.domain.consensus import AgreementRule, ConsensusState, agree, consensus
from registry.domain.directions import BODY_WALLS, PEDICLE_WALLS, Direction
from registry.domain.readings import ReadingFacts, ReadingRole

FIRST, SECOND, ADJUDICATION = ReadingRole
RULE = AgreementRule()
AGREED = ConsensusState.AGREED
AWAITING = ConsensusState.AWAITING_ADJUDICATION


def reading(role=FIRST, bearing=None, **walls):
    """Return a reading with contained walls but for those given; '' leaves one unmeasured."""
    extents = {wall: Decimal("0.0") for wall in PEDICLE_WALLS} | dict.fromkeys(BODY_WALLS)
    extents |= {Direction(wall): Decimal(value) if value else None for wall, value in walls.items()}
    return ReadingFacts(
        list(ReadingRole).index(role) + 1,
        role,
        is_assessable=True,
        extents_mm=extents,
        bearing_deg=None if bearing is None else Decimal(bearing),
    )


def unreadable(role=FIRST):
    return ReadingFacts(list(ReadingRole).index(role) + 1, role, is_assessable=False)


def worked_out(*readings, owed=False, level="L4", rule=RULE):
    return consensus(readings, level=level, second_is_owed=owed, rule=rule)


def two(one, other):
    return worked_out(reading(FIRST, **one), reading(SECOND, **other))


TWO_READINGS = {
    # "Two agree when they give the same grade on the unit's scale"
    "both contained": ({}, {}, AGREED),
    "the same grade B, 1.7 apart": ({"medial": "0.2"}, {"medial": "1.9"}, AGREED),
    "the same grade C at its ends": ({"medial": "2.0"}, {"medial": "3.9"}, AGREED),
    "the same grade E, 4 apart": ({"medial": "6.0"}, {"medial": "10.0"}, AGREED),
    # "or differ by at most the unit's tolerance on the same side of its cut-off": 1 mm and 2 mm
    "A and B, 1.0 apart": ({}, {"medial": "1.0"}, AGREED),
    "A and B, 1.1 apart": ({}, {"medial": "1.1"}, AWAITING),
    "C and D, 1.0 apart": ({"medial": "3.5"}, {"medial": "4.5"}, AGREED),
    "C and D, 1.1 apart": ({"medial": "3.5"}, {"medial": "4.6"}, AWAITING),
    "0.1 apart across the cut-off": ({"medial": "1.9"}, {"medial": "2.0"}, AWAITING),
    # "and, where both found a breach, the walls of the greatest are the same"
    "the same size in two walls": ({"medial": "1.0"}, {"lateral": "1.0"}, AWAITING),
    "one found nothing": ({}, {"lateral": "0.9"}, AGREED),
    # "or the bearings within 45 degrees"
    "two walls, 45 degrees apart": (
        {"medial": "1.0", "bearing": 20},
        {"cranial": "1.0", "bearing": 65},
        AGREED,
    ),
    "two walls, 46 degrees apart": (
        {"medial": "1.0", "bearing": 20},
        {"cranial": "1.0", "bearing": 66},
        AWAITING,
    ),
    "two walls, 40 degrees apart through 0": (
        {"medial": "1.0", "bearing": 340},
        {"cranial": "1.0", "bearing": 20},
        AGREED,
    ),
    "two walls, one bearing unknown": (
        {"medial": "1.0", "bearing": 20},
        {"cranial": "1.0"},
        AWAITING,
    ),
    # "from 2 mm such a wall goes to adjudication": a wall that only one found
    "a lone wall of 2.0": (
        {"medial": "3.0", "caudal": "2.0"},
        {"medial": "3.0"},
        AWAITING,
    ),
    "a lone wall of 1.9": ({"medial": "3.0", "caudal": "1.9"}, {"medial": "3.0"}, AGREED),
    "a lone wall of 2.0, unmeasured by the other": (
        {"medial": "3.0", "caudal": "2.0"},
        {"medial": "3.0", "caudal": ""},
        AWAITING,
    ),
}


@pytest.mark.parametrize(("one", "other", "state"), TWO_READINGS.values(), ids=TWO_READINGS)
def test_two_readings_agree_or_go_to_an_adjudicator(one, other, state):
    found = two(one, other)
    assert found.state is state
    assert found.is_provisional is (state is AWAITING)
    assert two(other, one).state is state


MEANS = {
    # "averaged wall by wall, rounded half up to a tenth"
    "a half goes up": ("1.0", "1.1", "1.1"),
    "plain": ("0.4", "0.8", "0.6"),
    # "a wall that only one found is averaged with 0 if the other measured it"
    "with a measured 0": ("0.5", "0.0", "0.3"),
    # "else taken as it is"
    "with an unmeasured wall": ("0.5", "", "0.5"),
}


@pytest.mark.parametrize(("one", "other", "mean"), MEANS.values(), ids=MEANS)
def test_agreed_extents_are_averaged(one, other, mean):
    for pair in ((one, other), (other, one)):
        found = two(*({"caudal": value} for value in pair))
        assert found.state is AGREED
        assert found.extents_mm[Direction.CAUDAL] == Decimal(mean)
        assert found.reading_ids == (1, 2)


def test_a_wall_that_neither_measured_stays_empty():
    found = two({"cranial": ""}, {"cranial": ""})
    assert found.extents_mm[Direction.CRANIAL] is None
    assert found.extents_mm[Direction.ENDPLATE] is None


@pytest.mark.parametrize(
    ("one", "other", "mean"), [("350", "20", "5"), ("10", "30", "20"), ("359.9", "0", "0")]
)
def test_bearings_are_averaged_on_the_circle(one, other, mean):
    found = two({"medial": "1", "bearing": one}, {"medial": "1", "bearing": other})
    assert abs(found.bearing_deg - Decimal(mean)) <= Decimal("0.1")
    assert 0 <= found.bearing_deg < 360


def test_one_reading_counts_as_it_stands():
    found = worked_out(reading(medial="2.4", bearing=8))
    assert found.state is ConsensusState.SINGLE
    assert not found.is_provisional
    assert (found.extents_mm[Direction.MEDIAL], found.bearing_deg) == (Decimal("2.4"), 8)


def test_while_a_second_is_owed_the_first_counts_provisionally():
    found = worked_out(reading(medial="2.4"), owed=True)
    assert (found.state, found.is_provisional) == (ConsensusState.AWAITING_SECOND, True)


def test_until_the_adjudication_the_first_counts_provisionally():
    found = two({"medial": "1.0"}, {"medial": "5.0"})
    assert (found.reading_ids, found.extents_mm[Direction.MEDIAL]) == ((1,), Decimal("1.0"))


def test_an_adjudication_decides_whatever_the_others_say():
    readings = reading(medial="1"), reading(SECOND, medial="5"), reading(ADJUDICATION, medial="3.2")
    found = worked_out(*readings, owed=True)
    assert found.state is ConsensusState.ADJUDICATED
    assert (found.extents_mm[Direction.MEDIAL], found.reading_ids) == (Decimal("3.2"), (3,))


def test_not_assessable_is_an_answer_that_two_may_agree_on():
    assert worked_out(unreadable(), unreadable(SECOND)).state is AGREED
    assert not worked_out(unreadable(), unreadable(SECOND)).is_assessable
    assert worked_out(unreadable(), reading(SECOND)).state is AWAITING
    assert not worked_out(unreadable()).is_assessable


def test_without_a_reading_there_is_no_consensus():
    assert worked_out() is None


def test_the_unit_sets_tolerance_and_cut_off():
    pair = reading(medial="0.0"), reading(SECOND, medial="1.5")
    assert worked_out(*pair, rule=replace(RULE, tolerance_mm=Decimal("1.5"))).state is AGREED
    across = replace(RULE, tolerance_mm=Decimal("1.5"), headline_mm=Decimal("1.5"))
    assert worked_out(*pair, rule=across).state is AWAITING


def test_what_was_worked_out_names_the_rule_and_the_settings_that_it_depends_on():
    tolerance, headline = Decimal("1.0"), Decimal("2.00")
    same = AgreementRule(tolerance_mm=tolerance, headline_mm=headline)
    others = [
        replace(RULE, tolerance_mm=Decimal("1.1")),
        replace(RULE, headline_mm=Decimal("1.9")),
        replace(RULE, scale="laine"),
    ]
    assert worked_out(reading()).rule_version == RULE.version == same.version
    assert len({RULE.version, *(rule.version for rule in others)}) == 4
    assert all(len(rule.version) <= 10 for rule in others)


def test_at_s1_two_walls_make_a_grade_to_agree_on():
    walls = {"medial": "2.1", "lateral": "", "cranial": ""}
    other = {**walls, "medial": "3.8"}
    pair = reading(FIRST, **walls), reading(SECOND, **other)
    assert agree(*pair, level="S1", rule=RULE)
    assert not agree(*pair, level="L5", rule=RULE)


extents = st.one_of(st.none(), st.integers(0, 120).map(lambda tenths: Decimal(tenths) / 10))
bearings = st.one_of(st.none(), st.integers(0, 3599).map(lambda tenths: Decimal(tenths) / 10))
anything = st.builds(
    lambda walls, bearing, is_assessable: ReadingFacts(
        1, FIRST, is_assessable, walls if is_assessable else {}, bearing if is_assessable else None
    ),
    st.fixed_dictionaries(dict.fromkeys(Direction, extents)),
    bearings,
    st.booleans(),
)


def as_role(found, role):
    return replace(found, role=role, reading_id=list(ReadingRole).index(role) + 1)


@given(st.lists(anything, max_size=3), st.booleans(), st.randoms())
def test_the_order_of_the_readings_never_matters(found, owed, random):
    readings = [as_role(item, role) for item, role in zip(found, ReadingRole, strict=False)]
    shuffled = random.sample(readings, len(readings))
    assert worked_out(*readings, owed=owed) == worked_out(*shuffled, owed=owed)


@given(anything)
def test_two_equal_readings_come_to_that_reading(one):
    pair = as_role(one, FIRST), as_role(one, SECOND)
    # A wall of 2 mm is found by both, so nothing is left to decide.
    found = worked_out(*pair)
    assert found.state is AGREED
    assert found.extents_mm == {wall: one.extents_mm.get(wall) for wall in Direction}
    assert found.is_assessable == one.is_assessable
    if one.bearing_deg is not None:
        turn = abs(found.bearing_deg - one.bearing_deg)
        assert min(turn, 360 - turn) <= Decimal("0.1")


@given(anything, anything, st.sampled_from(["T6", "L4", "S1"]))
def test_who_read_first_does_not_matter_to_agreement(one, other, level):
    forth = worked_out(as_role(one, FIRST), as_role(other, SECOND), level=level)
    back = worked_out(as_role(other, FIRST), as_role(one, SECOND), level=level)
    assert forth.state is back.state
    if forth.state is AGREED:
        assert forth.extents_mm == back.extents_mm


@given(anything, anything)
def test_an_agreed_extent_lies_between_the_two(one, other):
    found = worked_out(as_role(one, FIRST), as_role(other, SECOND))
    if found.state is not AGREED:
        return
    for wall, value in found.extents_mm.items():
        said = [item.extents_mm.get(wall) for item in (one, other)]
        said = [item for item in said if item is not None]
        assert (value is None) == (not said)
        assert not said or min(said) <= value <= max(said)


@given(anything, anything, st.sampled_from(["T6", "L4"]))
def test_mirroring_the_patient_changes_nothing(one, other, level):
    # Extents are named from the vertebra, so left and right do not occur in them: turning every
    # bearing the other way round is all that a mirrored frame could do.
    def mirrored(item):
        bearing = item.bearing_deg
        return replace(item, bearing_deg=None if bearing is None else (360 - bearing) % 360)

    plain = as_role(one, FIRST), as_role(other, SECOND)
    turned = tuple(mirrored(item) for item in plain)
    agreed = [agree(*pair, level=level, rule=RULE) for pair in (plain, turned)]
    assert agreed[0] == agreed[1]
