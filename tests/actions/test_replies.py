"""The right of reply on each database: days, answers, re-readings and what covers them."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.actions.replies import (
    answer_round,
    ask_again,
    lay_before_surgeons,
    own_quarter,
    quarter_state,
    quarters,
)
from registry.actions.resettle import resettle
from registry.actions.settle import WITHDRAWN, settle
from registry.actions.withdraw import WhoWithdraws, withdraw
from registry.actions.worklist import worklist
from registry.domain.access import Role
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    NotAllowedError,
    NotFoundError,
)
from registry.domain.reply import Again
from registry.store.models.readings import Assignment
from registry.store.models.replies import Rereading
from registry.store.queries.trail import ANOTHER, TrailAsked, trail_line, trail_lines
from tests.build.filled_once import filled_once
from tests.build.loaded import an_account, load_rows
from tests.build.read import put_reading, read_screw
from tests.build.scanned import with_held_scan

PERIOD = "2026Q1"
NOW = datetime(2026, 4, 2, 9, 0, tzinfo=UTC)
LATER = NOW + timedelta(days=29)
SIDES = [(level, side) for level in ("L3", "L4", "L5") for side in "LR"]


@pytest.fixture
def unit(ledger):
    """Give a quarter of two surgeons, six screws each, all read once; and who asks."""
    return ledger, fill_unit(ledger)


@filled_once
def fill_unit(ledger):
    for reference, surgeon in (("OP-1", "Anna Berg"), ("OP-2", "Bodo Carl")):
        load_rows(
            ledger,
            *(
                {"case_ref": reference, "patient_ref": f"H{reference}", "surgeon": surgeon,
                 "operated_on": "2026-03-02", "level": level, "side": side}
                for level, side in SIDES
            ),
        )  # fmt: skip
        with_held_scan(ledger, reference)
    people = {
        "anna": an_account(ledger, "anna", Role.SURGEON, person="Anna Berg"),
        "bodo": an_account(ledger, "bodo", Role.SURGEON, person="Bodo Carl"),
        "rita": an_account(ledger, "rita", Role.REGISTRAR, person="Rita Reader", new_person=True),
        "ruth": an_account(ledger, "ruth", Role.REGISTRAR, person="Ruth Reader", new_person=True),
        "lena": an_account(ledger, "lena", Role.QUALITY_LEAD, person="Lena Lead", new_person=True),
    }
    with ledger.writing(people["rita"], NOW) as work:
        for screw_id in range(1, 13):
            medial = "3.1" if screw_id == 3 else "0.0"
            scan_id = (screw_id + 5) // 6
            put_reading(work, people["rita"], screw_id, scan_id, role="first", medial=medial)
        settle(work, ledger.settings, range(1, 13))
    return people


@contextmanager
def by(ledger, **settings):
    """Give the ledger as it is by other settings, for as long as it is asked."""
    changed = replace(ledger, settings=replace(ledger.settings, **settings))
    try:
        yield changed
    finally:
        changed.close()


def again_of(ledger):
    with ledger.reading() as session:
        columns = (Rereading.screw_id, Rereading.asked_by_id, Assignment.role, Rereading.seed)
        joined = select(*columns).join(Assignment, Assignment.id == Rereading.assignment_id)
        return [tuple(row) for row in session.execute(joined)]


def test_a_quarter_is_laid_before_its_surgeons_once_and_not_before_it_is_over(unit):
    ledger, people = unit
    with pytest.raises(BadInputError, match="ends on 2026-03-31"):
        lay_before_surgeons(ledger, people["lena"], PERIOD, datetime(2026, 3, 31, tzinfo=UTC))
    with pytest.raises(BadInputError, match="no case was operated on in 2025Q4"):
        lay_before_surgeons(ledger, people["lena"], "2025Q4", NOW)
    with pytest.raises(NotAllowedError):
        lay_before_surgeons(ledger, people["anna"], PERIOD, NOW)
    found = lay_before_surgeons(ledger, people["lena"], PERIOD, NOW)
    assert found.closes_on.isoformat() == "2026-04-16"
    with pytest.raises(ConflictError, match="lies before its surgeons already"):
        lay_before_surgeons(ledger, people["lena"], PERIOD, NOW)
    assert [each.name for each in quarters(ledger, people["anna"], NOW)] == ["2026Q1"]
    with pytest.raises(NotAllowedError):
        quarters(ledger, people["rita"], NOW)


def test_a_surgeon_sees_own_screws_only_and_says_that_they_have_looked(unit):
    ledger, people = unit
    lay_before_surgeons(ledger, people["lena"], PERIOD, NOW)
    own = own_quarter(ledger, people["anna"], PERIOD, NOW)
    assert {screw.case_reference for screw in own.screws} == {"OP-1"}
    assert len(own.screws) == 6
    assert {screw.again for screw in own.screws} == {Again.SECOND}
    assert quarter_state(ledger, people["lena"], PERIOD, NOW).in_the_way == [
        "the unit seals it from 2026-05-01 on",
        "2 surgeons may still reply until 2026-04-16",
    ]
    answer_round(ledger, people["anna"], PERIOD, "L3 right was redirected", NOW)
    answer_round(ledger, people["anna"], PERIOD, "", NOW)
    answer_round(ledger, people["bodo"], PERIOD, "", NOW)
    state = quarter_state(ledger, people["lena"], PERIOD, LATER)
    assert state.in_the_way == []
    assert [surgeon.words for surgeon in state.surgeons] == [None, None]
    with pytest.raises(NotAllowedError):
        quarter_state(ledger, people["anna"], PERIOD, NOW)
    assert check_ledger(ledger, acting(ledger, None)) == []


def test_a_re_reading_is_covered_by_contained_screws_in_the_same_role(unit):
    ledger, people = unit
    lay_before_surgeons(ledger, people["lena"], PERIOD, NOW)
    assert ask_again(ledger, people["anna"], PERIOD, 3, "the scan is poor", NOW) == 3
    rows = again_of(ledger)
    assert sorted(by is not None for _, by, _, _ in rows) == [False, False, False, True]
    assert {role for _, _, role, _ in rows} == {"second"}
    assert len({seed for *_, seed in rows}) == 1
    with pytest.raises(ConflictError, match="it is read again already"):
        ask_again(ledger, people["anna"], PERIOD, 3, "", NOW)
    # Who has read them once is not offered them; who has not sees four alike.
    assert worklist(ledger, people["rita"], NOW) == []
    offered = worklist(ledger, people["ruth"], NOW)
    assert len(offered) == 4
    facts = ("assignment_id", "level", "side", "number", "image_digest", "is_last")
    told = {tuple(v for k, v in vars(screw).items() if k not in facts) for screw in offered}
    assert len(told) == 1
    state = quarter_state(ledger, people["lena"], PERIOD, LATER)
    assert state.in_the_way == ["4 re-readings are owed"]
    for screw_id, *_ in rows:
        read_screw(
            ledger, people["ruth"], screw_id, (screw_id + 5) // 6, NOW,
            role="second", medial="3.0" if screw_id == 3 else "0.0",
        )  # fmt: skip
    assert quarter_state(ledger, people["lena"], PERIOD, LATER).in_the_way == []
    # Where there are two readings a third decides, and so it is with what covers it.
    again = {row[0] for row in rows}
    own = next(screw for screw in range(1, 7) if screw not in again)
    other = next(screw for screw in range(7, 13) if screw not in again)
    for screw_id in (own, other):
        read_screw(ledger, people["ruth"], screw_id, (screw_id + 5) // 6, NOW, role="second")
    assert ask_again(ledger, people["anna"], PERIOD, own, "", NOW) == 1
    assert [row[2] for row in again_of(ledger) if row[0] in {own, other}] == ["adjudication"] * 2
    with pytest.raises(ConflictError, match="it is read again already"):
        ask_again(ledger, people["anna"], PERIOD, own, "", NOW)
    assert check_ledger(ledger, acting(ledger, None)) == []


def test_another_s_screw_an_unread_one_and_a_late_request_are_refused(unit):
    ledger, people = unit
    with pytest.raises(ConflictError, match="has not been laid before"):
        ask_again(ledger, people["anna"], PERIOD, 3, "", NOW)
    lay_before_surgeons(ledger, people["lena"], PERIOD, NOW)
    for other in (7, 999):
        with pytest.raises(NotFoundError):
            ask_again(ledger, people["anna"], PERIOD, other, "", NOW)
    with pytest.raises(NotAllowedError):
        ask_again(ledger, people["lena"], PERIOD, 3, "", NOW)
    with pytest.raises(ConflictError, match="ended on 2026-04-16"):
        ask_again(ledger, people["anna"], PERIOD, 3, "", LATER)
    with pytest.raises(ConflictError, match="ended on 2026-04-16"):
        answer_round(ledger, people["anna"], PERIOD, "", LATER)
    stranger = replace(people["rita"], roles=frozenset({Role.SURGEON}))
    with pytest.raises(NotFoundError, match="responsible for no case"):
        answer_round(ledger, stranger, PERIOD, "", NOW)
    assert again_of(ledger) == []


def test_the_days_are_the_unit_s_own(unit):
    ledger, people = unit
    lay_before_surgeons(ledger, people["lena"], PERIOD, NOW)
    last = datetime(2026, 4, 16, 23, 59, tzinfo=UTC)
    assert own_quarter(ledger, people["anna"], PERIOD, last).is_open
    assert not own_quarter(ledger, people["anna"], PERIOD, last + timedelta(minutes=1)).is_open


def test_who_asks_is_neither_offered_nor_told_what_covers_it(unit):
    ledger, people = unit
    lay_before_surgeons(ledger, people["lena"], PERIOD, NOW)
    with by(ledger, reply_cover=0) as alone:
        assert ask_again(alone, people["anna"], PERIOD, 3, "", NOW) == 0
    with by(ledger, reply_cover=11) as covered:
        assert ask_again(covered, people["bodo"], PERIOD, 7, "", NOW) == 10
    # Anna's contained screws would be Bodo's to read; he would know that they are contained. What
    # another has asked for he reads as everybody does.
    assert len(worklist(ledger, people["ruth"], NOW)) == 12
    (offered,) = worklist(ledger, people["bodo"], NOW)
    assert (offered.level, offered.side) == ("L4", "L")
    with ledger.reading() as session:
        for asked in (TrailAsked(record="rereading"), TrailAsked(record="assignment")):
            lines, _ = trail_lines(session, people["bodo"], asked, 0, 100)
            # Which columns a new record fills would tell which re-reading was asked for.
            assert {tuple(line.changes) for line in lines} == {()}
            shown = [trail_line(session, people["bodo"], line.number) for line in lines]
            named = {c.after for line in shown for c in line.changes if c.column == "screw"}
            assert named == {"7", "8", "9", "10", "11", "12"}, asked
            # Anna's contained screws cover what Bodo asked for: she is not told whose doubt it was.
            theirs, _ = trail_lines(session, people["anna"], asked, 0, 100)
            assert {line.actor for line in theirs} == {"anna", ANOTHER}
            by_bodo = replace(asked, actor="bodo")
            assert trail_lines(session, people["anna"], by_bodo, 0, 100) == ([], 0)
            assert trail_lines(session, people["lena"], by_bodo, 0, 100)[1] == 11


def test_a_withdrawn_patient_s_screws_are_neither_read_again_nor_cover_others(unit):
    ledger, people = unit
    lay_before_surgeons(ledger, people["lena"], PERIOD, NOW)
    withdraw(ledger, people["lena"], WhoWithdraws(case_ref="OP-2"), "asked", NOW)
    with pytest.raises(ConflictError, match=Again.ELSEWHERE.value):
        ask_again(ledger, people["bodo"], PERIOD, 7, "", NOW)
    with by(ledger, reply_cover=11) as covered:
        assert ask_again(covered, people["anna"], PERIOD, 3, "", NOW) == 5
    assert {screw_id for screw_id, *_ in again_of(ledger)} == {1, 2, 3, 4, 5, 6}


def test_no_quarter_waits_for_a_decision_that_a_withdrawal_has_made_impossible(unit):
    ledger, people = unit
    for screw_id, medial in ((1, "5.0"), (2, "0.8")):
        read_screw(ledger, people["ruth"], screw_id, 1, NOW, role="second", medial=medial)
    with ledger.writing(people["ruth"], NOW) as work:
        settle(work, ledger.settings, [1, 2])
    assert "1 adjudication is owed" in quarter_state(ledger, people["lena"], PERIOD, NOW).in_the_way
    withdraw(ledger, people["lena"], WhoWithdraws(case_ref="OP-1"), "asked", NOW)
    # By a narrower rule another two differ; nobody can be asked to decide.
    with by(ledger, tolerance_mm=Decimal("0.5")) as narrow:
        assert resettle(narrow, NOW) > 0
        state = quarter_state(narrow, people["lena"], PERIOD, LATER)
    assert {screw.screw_id for screw in state.provisional} == {1, 2}
    assert state.in_the_way == ["the right of reply has not been opened"]
    with ledger.reading() as session:
        asked = select(Assignment.closed_reason).where(Assignment.role == "adjudication")
        assert list(session.execute(asked).scalars()) == [WITHDRAWN, WITHDRAWN]
