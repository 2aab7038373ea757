"""Who may compare, names and codes, and that page's and command's path sees every screw."""

from __future__ import annotations

from dataclasses import replace

import pytest

from registry.actions.accounts import acting
from registry.actions.case_mix import adjusted_for_case_mix
from registry.actions.compare_groups import compare_groups
from registry.actions.count_surgeons import count_surgeons
from registry.actions.person_codes import labels_of
from registry.domain.access import Role
from registry.domain.problems import NotAllowedError
from reports.tables.compare import ComparisonQuestion
from reports.tables.compare_words import name_of
from reports.tables.rates import Question
from reports.tables.splits import Split
from tests.actions.test_count import SURGEONS, TODAY, a_unit
from tests.build.loaded import an_account

BY_SURGEON = ComparisonQuestion(Question((Split.SURGEON,), minimum=1))


@pytest.fixture
def unit(ledger):
    return a_unit(ledger, SURGEONS[:3])


def test_persons_are_codes_unless_names_are_asked_for(unit):
    local = acting(unit, None)
    coded = compare_groups(unit, local, BY_SURGEON)
    named = compare_groups(unit, local, BY_SURGEON, is_named=True)
    assert [name_of(row) for row in named.rows] == sorted(SURGEONS[:3])
    codes = [name_of(row) for row in coded.rows]
    assert codes == sorted(codes)
    assert not set(codes) & set(SURGEONS)
    again = ComparisonQuestion(Question((Split.SURGEON,), minimum=1), tuple(codes[:2]))
    assert [name_of(row) for row in compare_groups(unit, local, again).rows] == codes[:2]


def test_a_person_has_one_code_in_every_answer_about_the_same_screws(unit):
    local, question = acting(unit, None), BY_SURGEON.counting
    codes = [name_of(row) for row in compare_groups(unit, local, BY_SURGEON).rows]
    assert [row.group for row in adjusted_for_case_mix(unit, local, question).rows] == codes
    assert [point.code for point in count_surgeons(unit, local, question, TODAY).points] == codes
    by_operator = replace(question, by=(Split.OPERATOR,))
    operators = labels_of(unit, local, {1: SURGEONS[0]}, by_operator, is_named=False)
    assert operators[1].startswith("operator ")


def test_second_readings_that_only_some_screws_had_are_said(unit):
    table = compare_groups(unit, acting(unit, None), BY_SURGEON)
    assert "Second readings were made of some screws only" in table.notes()[-1]


def test_who_may_not_see_every_surgeon_compares_nothing(unit):
    by_level = Question((Split.LEVEL,))
    for role in (Role.SURGEON, Role.REGISTRAR, Role.STEWARD):
        person = SURGEONS[0] if role is Role.SURGEON else None
        viewer = an_account(unit, role.value, role, person=person)
        with pytest.raises(NotAllowedError):
            compare_groups(unit, viewer, ComparisonQuestion(by_level))
        with pytest.raises(NotAllowedError):
            adjusted_for_case_mix(unit, viewer, by_level)
