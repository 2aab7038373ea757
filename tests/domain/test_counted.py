"""Of readings that replaced one another the unit's rule takes one; the other is kept."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.domain.consensus import AgreementRule, ConsensusState, consensus
from registry.domain.counted import counted_readings
from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.readings import CountedReading, ProposalSeen, ReadingFacts, ReadingRole

AFTER, START = ProposalSeen.AFTER_OWN, ProposalSeen.FROM_START
BLIND, CHANGED = CountedReading.BLIND, CountedReading.AFTER_PROPOSAL


def a_reading(number, supersedes=None, seen=None, role=ReadingRole.FIRST, medial="0"):
    walls = {**dict.fromkeys(PEDICLE_WALLS, Decimal(0)), Direction.MEDIAL: Decimal(medial)}
    return ReadingFacts(number, role, True, walls, None, supersedes, seen)


# The design's own rule (a change after the proposal is a new reading, both are kept, and the unit
# states which counts); what each line should give was worked out by hand.
CHAINS = {
    "one blind reading": ([(1, None, None)], [1], [1]),
    "made again without the proposal": ([(1, None, None), (2, 1, None)], [2], [2]),
    "changed after the proposal": ([(1, None, None), (2, 1, AFTER)], [1], [2]),
    "changed twice": ([(1, None, None), (2, 1, AFTER), (3, 2, AFTER)], [1], [3]),
    "changed, then read by another": ([(1, None, None), (2, 1, AFTER), (3, 2, None)], [3], [3]),
    "read by another, who changed it": (
        [(1, None, None), (2, 1, AFTER), (3, 2, None), (4, 3, AFTER)],
        [3],
        [4],
    ),
    "with the proposal from the start": ([(1, None, START)], [1], [1]),
    "from the start, and made again": ([(1, None, START), (2, 1, START)], [2], [2]),
}


@pytest.mark.parametrize(("chain", "blind", "changed"), CHAINS.values(), ids=CHAINS)
def test_of_a_reading_and_its_change_the_rule_takes_one(chain, blind, changed):
    readings = [a_reading(*each) for each in chain]
    for rule, expected in ((BLIND, blind), (CHANGED, changed)):
        assert [each.reading_id for each in counted_readings(readings, rule)] == expected


@given(st.permutations(range(5)))
def test_the_order_in_which_readings_come_never_matters(order):
    readings = [
        a_reading(1),
        a_reading(2, 1, AFTER),
        a_reading(3, role=ReadingRole.SECOND),
        a_reading(4, 3, None, ReadingRole.SECOND),
        a_reading(5, 4, AFTER, ReadingRole.SECOND),
    ]
    shuffled = [readings[number] for number in order]
    assert [each.reading_id for each in counted_readings(shuffled, BLIND)] == [1, 4]
    assert [each.reading_id for each in counted_readings(shuffled, CHANGED)] == [2, 5]


def test_readings_that_somebody_made_replace_one_another_in_turn_do_not_hang():
    readings = [a_reading(1, 2, AFTER), a_reading(2, 1, AFTER), a_reading(3, 1, AFTER)]
    assert len(counted_readings(readings, BLIND)) == 1


def test_the_consensus_takes_what_the_rule_says():
    readings = [a_reading(1, medial="1.0"), a_reading(2, 1, AFTER, medial="3.1")]
    for rule, number, medial in ((BLIND, 1, "1.0"), (CHANGED, 2, "3.1")):
        found = consensus(
            counted_readings(readings, rule),
            level="L4",
            second_is_owed=False,
            rule=AgreementRule(counted=rule),
        )
        assert found is not None
        assert found.state is ConsensusState.SINGLE
        assert found.reading_ids == (number,)
        assert found.extents_mm[Direction.MEDIAL] == Decimal(medial)


def test_the_choice_names_another_rule_and_the_default_the_one_that_it_was():
    # As version 0.3.0 named it: what was settled by that needs no settling anew.
    assert AgreementRule(counted=BLIND).version == AgreementRule().version == "2-015d28b"
    assert AgreementRule(counted=CHANGED).version != "2-015d28b"
