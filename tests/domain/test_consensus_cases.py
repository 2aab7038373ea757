"""Every line of `consensus_cases.md`: what counts, how it came about, and why in words.

The rule is this project's own (common practice, no source); each line was worked out by hand.
"""

from __future__ import annotations

import pytest

from registry.domain.consensus import AgreementRule, ConsensusState, consensus
from registry.domain.consensus_words import consensus_words, rule_words
from registry.domain.scales import grade
from tests.build.consensus_cases import TABLE, consensus_cases

CASES = consensus_cases()
RULE = AgreementRule()


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_readings_of_each_line_come_to_what_it_says(case):
    asked = {"level": case.level, "second_is_owed": case.second_is_owed, "rule": RULE}
    found = consensus(case.current(), **asked)
    assert found is not None
    assert (found.state, found.is_provisional) == (case.state, case.is_provisional)
    assert found.is_assessable == case.counts.is_assessable
    assert found.extents_mm == case.counts.extents_mm
    assert found.bearing_deg == case.counts.bearing_deg
    assert grade(found.extents_mm, case.level, RULE.scale) == case.grade
    assert " ".join(consensus_words(case.current(), **asked)) == case.why


def test_the_table_has_lines_enough_for_every_way_in_which_a_consensus_comes_about():
    assert len(CASES) >= 40
    assert {case.state for case in CASES} == {state.value for state in ConsensusState}
    assert len({case.name for case in CASES}) == len(CASES)
    of_two_or_three = [case for case in CASES if len(case.readings) > 1]
    assert len(of_two_or_three) >= 30


def test_the_table_quotes_the_settings_that_it_was_worked_out_by():
    told = " ".join(TABLE.read_text(encoding="utf-8").split())
    assert "a tolerance of 1 mm, a headline cut-off of 2 mm" in told
    assert rule_words(RULE) == (
        "scale Gertzbein-Robbins, two greatest extents at most 1 mm apart on the same side of 2 mm"
    )


def test_without_a_reading_there_is_nothing_to_say():
    assert consensus_words([], level="L4", second_is_owed=True, rule=RULE) == []
