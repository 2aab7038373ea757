"""Findings that the unit's policy names, on each database: raised, answered for, closed."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.actions.policy import (
    PolicyAnswer,
    answer_finding,
    close_finding,
    findings,
    one_finding,
    raise_finding,
)
from registry.domain.access import Role
from registry.domain.directions import Direction
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    NotAllowedError,
    NotFoundError,
)
from tests.build.loaded import an_account, load_rows
from tests.build.read import read_screw
from tests.build.scanned import with_held_scan

NOW = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)
WORDS = "Tell the spinal registrar on call.\nGive the number of this finding."
TOLD = PolicyAnswer(
    is_followed=True, told_whom="registrar on call", told_at=NOW, told_how="by telephone"
)


@pytest.fixture
def unit(ledger):
    """Give a unit with a policy, one finding of Rita's, and who asks."""
    load_rows(ledger, {"case_ref": "OP-1", "patient_ref": "H1", "operated_on": "2026-03-02"})
    scan_id = with_held_scan(ledger, "OP-1")
    people = {
        "rita": an_account(ledger, "rita", Role.REGISTRAR, person="Rita Reader", new_person=True),
        "ruth": an_account(ledger, "ruth", Role.REGISTRAR, person="Ruth Reader", new_person=True),
        "lena": an_account(ledger, "lena", Role.QUALITY_LEAD, person="Lena Lead", new_person=True),
        "stefan": an_account(ledger, "stefan", Role.STEWARD),
    }
    settings = replace(
        ledger.settings, policy_words=WORDS, policy_mm=((Direction.MEDIAL, Decimal(4)),)
    )
    reading_id = read_screw(ledger, people["rita"], 1, scan_id, NOW, medial="4.4")
    with ledger.writing(people["rita"], NOW) as work:
        raised = {"reading_id": reading_id, "screw_id": 1, "scan_id": scan_id}
        extents = {Direction.MEDIAL: Decimal("4.4")}
        assert raise_finding(work, settings, **raised, role="second", extents_mm=extents) is None
        assert raise_finding(
            work, ledger.settings, **raised, role="first", extents_mm=extents
        ) is None  # fmt: skip
        assert raise_finding(work, settings, **raised, role="first", extents_mm=extents) == 1
    return ledger, people


def test_its_reader_sees_the_unit_s_words_and_not_whose_screw_it_is(unit):
    ledger, people = unit
    (found,) = findings(ledger, people["rita"])
    assert (found.policy_words, found.rule_met) == (WORDS, "medial 4.4 mm (from 4 mm on)")
    assert (found.case_id, found.case_reference) == (None, None)
    assert found.state == "not answered for yet"
    assert findings(ledger, people["ruth"]) == []
    assert findings(ledger, people["lena"])[0].case_reference == "OP-1"
    with pytest.raises(NotFoundError):
        one_finding(ledger, people["ruth"], 1)
    with pytest.raises(NotAllowedError):
        findings(ledger, people["stefan"])


@pytest.mark.parametrize(
    ("answer", "fields"),
    [
        (PolicyAnswer(is_followed=True), ["told_whom", "told_how", "told_at"]),
        (replace(TOLD, told_at=NOW + timedelta(days=1)), ["told_at"]),
        (replace(TOLD, told_whom="x" * 201), ["told_whom"]),
        (PolicyAnswer(is_followed=False), ["not_followed_reason"]),
    ],
)
def test_an_answer_says_who_was_told_when_and_how_or_why_nobody_was(unit, answer, fields):
    ledger, people = unit
    with pytest.raises(BadInputError) as problem:
        answer_finding(ledger, people["rita"], 1, answer, seen_version=1, now=NOW)
    assert [fault.where for fault in problem.value.faults] == fields
    assert findings(ledger, people["rita"])[0].answered_at is None


def test_it_stays_open_until_the_lead_closes_it(unit):
    ledger, people = unit
    answer_finding(ledger, people["rita"], 1, TOLD, seen_version=1, now=NOW)
    (found,) = findings(ledger, people["lena"])
    assert (found.state, found.told_whom, found.told_at) == ("followed", "registrar on call", NOW)
    with pytest.raises(NotAllowedError):
        close_finding(ledger, people["rita"], 1, "done", seen_version=2, now=NOW)
    with pytest.raises(BadInputError, match="is missing"):
        close_finding(ledger, people["lena"], 1, "  ", seen_version=2, now=NOW)
    close_finding(ledger, people["lena"], 1, "seen by the team", seen_version=2, now=NOW)
    assert findings(ledger, people["lena"])[0].state == "closed"
    with pytest.raises(ConflictError, match="has been closed"):
        answer_finding(ledger, people["rita"], 1, TOLD, seen_version=3, now=NOW)
    assert check_ledger(ledger, acting(ledger, None)) == []


def test_a_lead_who_read_stays_blind_until_they_have_said_what_was_done(unit):
    ledger, people = unit
    both = replace(people["rita"], roles=frozenset({Role.REGISTRAR, Role.QUALITY_LEAD}))
    assert one_finding(ledger, both, 1).case_reference is None
    answer_finding(ledger, both, 1, TOLD, seen_version=1, now=NOW)
    assert one_finding(ledger, both, 1).case_reference == "OP-1"


def test_no_lead_closes_a_finding_of_a_case_in_which_they_took_part(unit):
    ledger, people = unit
    anna = an_account(ledger, "anna", Role.SURGEON, Role.QUALITY_LEAD, person="Anna Berg")
    assert one_finding(ledger, anna, 1).viewer_took_part
    with pytest.raises(NotAllowedError, match="another lead closes it"):
        close_finding(ledger, anna, 1, "nothing to see", seen_version=1, now=NOW)
    close_finding(ledger, people["lena"], 1, "seen by the team", seen_version=1, now=NOW)


def test_who_answers_on_an_old_page_is_told_and_changes_nothing(unit):
    ledger, people = unit
    answer_finding(ledger, people["rita"], 1, TOLD, seen_version=1, now=NOW)
    other = PolicyAnswer(is_followed=False, not_followed_reason="nobody answered")
    with pytest.raises(ConflictError, match="somebody has changed this finding"):
        answer_finding(ledger, people["lena"], 1, other, seen_version=1, now=NOW)
    with pytest.raises(ConflictError, match="somebody has changed this finding"):
        close_finding(ledger, people["lena"], 1, "done", seen_version=1, now=NOW)
    assert findings(ledger, people["lena"])[0].is_followed
