"""Actions agreed on for a quarter, on each database: kept, ended, replaced, never deleted."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from registry.actions.accounts import acting
from registry.actions.agree import (
    actions_of,
    agree_on,
    end_action,
    one_action,
    own_actions,
    replace_action,
)
from registry.actions.check_ledger import check_ledger
from registry.actions.quarter_numbers import quarter_numbers
from registry.actions.quarter_standing import comment
from registry.domain.agreed import AgreedState
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    NotAllowedError,
    NotFoundError,
)
from reports.documents.flat_tables import flat_tables
from reports.documents.table_files import as_csv, as_workbook
from tests.build.backups import assert_ok
from tests.build.sealable import LATER, PERIOD, fill_sealable

WHAT = {"what": "Ask for thinner slices", "owner": "rita reader", "due_on": "2026-06-30"}
CAME = {"is_done": "yes", "ended_on": "2026-05-06", "came_of_it": "Asked", "version": "1"}
DAYS = timedelta(days=3)


@pytest.fixture
def people(ledger):
    return fill_sealable(ledger)


def test_an_action_is_agreed_on_ended_and_replaced_and_none_is_lost(ledger, people, place):
    lena = people["lena"]
    first = agree_on(ledger, lena, PERIOD, WHAT, LATER)
    found = one_action(ledger, lena, first, LATER)
    assert (found.owner, found.state, found.ended_on) == ("Rita Reader", AgreedState.OPEN, None)
    with pytest.raises(ConflictError, match="changed meanwhile"):
        end_action(ledger, lena, first, {**CAME, "version": "0"}, LATER + DAYS)
    end_action(ledger, lena, first, CAME, LATER + DAYS)
    with pytest.raises(ConflictError, match=f"action {first} is done"):
        end_action(ledger, lena, first, {**CAME, "version": "2"}, LATER + DAYS)
    # What was ticked off by mistake goes on as another.
    other = {**WHAT, "what": "Ask again", "why": "It was not asked", "version": "2"}
    second = replace_action(ledger, lena, first, other, LATER + 2 * DAYS)
    with pytest.raises(ConflictError, match=f"action {second} stands in the place"):
        replace_action(ledger, lena, first, other, LATER + 2 * DAYS)

    # As it stood each time: agreed on, done, replaced; the next quarter is told from its first day.
    def states(when):
        return [each.state.value for each in actions_of(ledger, lena, PERIOD, when).agreed]

    assert states(LATER - DAYS) == []
    assert states(LATER) == ["open"]
    assert states(LATER + DAYS) == ["done"]
    assert states(LATER + 2 * DAYS) == ["replaced", "open"]
    old, new = actions_of(ledger, lena, "2026Q2", LATER + 2 * DAYS).from_last_time
    assert (old.came_of_it, old.replaced_by) == ("It was not asked", second)
    assert (new.what, new.replaces) == ("Ask again", first)
    told = assert_ok(place.command("quarter", PERIOD, "--actions")).out
    assert "It was not asked" in told
    assert "2026-06-30" in told
    assert check_ledger(ledger, acting(ledger, None)) == []


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        ({"what": " "}, "has between 1 and 1000 characters"),
        ({"owner": "Nobody Known"}, "is nobody the ledger knows"),
        ({"due_on": "31.12.2026"}, "is no day"),
    ],
    ids=["nothing to do", "unknown owner", "no day"],
)
def test_an_action_that_cannot_be_kept_is_refused_by_its_field(ledger, people, texts, words):
    lena = people["lena"]
    with pytest.raises(BadInputError, match=words):
        agree_on(ledger, lena, PERIOD, {**WHAT, **texts}, LATER)
    assert actions_of(ledger, lena, PERIOD, LATER).agreed == ()


def test_marks_that_nobody_sees_are_left_out_so_that_the_report_can_be_made(ledger, people):
    lena = people["lena"]
    words = "=Ask\x07\x00 for\u202e\nthinner"
    number = agree_on(ledger, lena, PERIOD, {**WHAT, "what": words}, LATER)
    assert one_action(ledger, lena, number, LATER).what == "=Ask for thinner"
    comment(ledger, lena, PERIOD, "As\x00 discussed", LATER)
    (table,) = [each for each in flat_tables(quarter_numbers(ledger, lena, PERIOD, LATER))
                if each.name == "actions"]  # fmt: skip
    # OWASP ASVS v5.0.0-1.2.10: no spreadsheet takes it for a formula.
    assert b",'=Ask for thinner," in as_csv(table)
    assert as_workbook([table], LATER)


def test_an_end_says_whether_when_and_what(ledger, people):
    lena = people["lena"]
    number = agree_on(ledger, lena, PERIOD, WHAT, LATER)
    wrong = {"is_done": "", "ended_on": "2026-05-20", "came_of_it": "", "version": "1"}
    with pytest.raises(BadInputError) as refused:
        end_action(ledger, lena, number, wrong, LATER)
    assert {fault.where for fault in refused.value.faults} == set(wrong) - {"version"}
    assert one_action(ledger, lena, number, LATER).state is AgreedState.OPEN
    with pytest.raises(NotFoundError):
        end_action(ledger, lena, number + 1, CAME, LATER + DAYS)


@pytest.mark.parametrize("name", ["bodo", "rita", "stefan"])
def test_who_is_no_quality_lead_sees_and_keeps_none(ledger, people, name):
    number, who = agree_on(ledger, people["lena"], PERIOD, WHAT, LATER), people[name]
    for deed in (
        lambda: actions_of(ledger, who, PERIOD, LATER),
        lambda: one_action(ledger, who, number, LATER),
        lambda: agree_on(ledger, who, PERIOD, WHAT, LATER),
        lambda: end_action(ledger, who, number, CAME, LATER),
        lambda: replace_action(ledger, who, number, WHAT, LATER),
    ):
        with pytest.raises(NotAllowedError):
            deed()


def test_an_owner_is_shown_open_actions_of_their_own_and_no_others(ledger, people):
    lena, rita = people["lena"], people["rita"]
    later = agree_on(ledger, lena, PERIOD, WHAT, LATER)
    sooner = agree_on(ledger, lena, PERIOD, {**WHAT, "due_on": "2026-05-30"}, LATER)
    agree_on(ledger, lena, PERIOD, {**WHAT, "owner": "Lena Lead"}, LATER)
    ended = agree_on(ledger, lena, PERIOD, WHAT, LATER)
    end_action(ledger, lena, ended, CAME, LATER + DAYS)
    # What went to somebody else is theirs from then on, and no longer the first owner's.
    given = agree_on(ledger, lena, PERIOD, WHAT, LATER)
    other = {**WHAT, "owner": "Lena Lead", "why": "She asks herself", "version": "1"}
    taken = replace_action(ledger, lena, given, other, LATER)
    assert [each.number for each in own_actions(ledger, rita, LATER)] == [sooner, later]
    assert taken in [each.number for each in own_actions(ledger, lena, LATER)]
    assert {each.owner for each in own_actions(ledger, lena, LATER)} == {"Lena Lead"}
    for nobody in ("bodo", "stefan"):
        assert own_actions(ledger, people[nobody], LATER) == []
    assert own_actions(ledger, replace(rita, roles=frozenset()), LATER) == []
    assert own_actions(ledger, acting(ledger, None), LATER) == []
