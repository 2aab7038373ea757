"""A reading is never edited: it is made again with a reason, and the earlier one is kept."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest
from sqlalchemy import select

from registry.actions.check_ledger import check_ledger
from registry.actions.read_again import ask_another_reader, my_readings, read_again
from registry.actions.worklist import worklist
from registry.domain.access import Role
from registry.domain.consensus import ConsensusState
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    NotAllowedError,
    NotFoundError,
)
from registry.domain.readings import Confidence
from registry.store.models.readings import Assignment, Reading
from registry.store.queries.readings import OwnReading
from registry.store.queries.screw_readings import screw_in_full
from tests.build.desk import L4_LEFT, L4_RIGHT
from tests.build.ledgers import QUALITY_LEAD, REGISTRAR, SURGEON, local_operator, viewer
from tests.build.two_readings import (
    JUDGE,
    LATER,
    SECOND_READER,
    UNREADABLE,
    asked,
    fill_for_two,
    read,
    state_of,
    typed,
)

SURE = Confidence.HIGH


@pytest.fixture
def ledger(ledger):
    fill_for_two(ledger)
    return ledger


@pytest.fixture
def rita(ledger):
    return viewer(ledger, REGISTRAR)


def kept(ledger, reading_id):
    with ledger.reading() as session:
        row = session.execute(select(Reading).where(Reading.id == reading_id)).scalar_one()
        return row.supersedes_id, row.superseded_reason, row.role, row.medial_mm


def test_a_reader_replaces_a_reading_of_their_own_and_says_why(ledger, rita):
    first = read(ledger, REGISTRAR, L4_LEFT, typed(medial="1.0", confidence=SURE))
    again = read_again(ledger, rita, first, "  the wrong   level ", LATER)
    assert again in {item.assignment_id for item in worklist(ledger, rita, LATER)}
    others = worklist(ledger, viewer(ledger, SECOND_READER), LATER)
    assert again not in {item.assignment_id for item in others}
    assert str(state_of(ledger)[1]) == "1.0"
    (listed,) = my_readings(ledger, rita)
    assert (listed.can_be_replaced, listed.open_assignment_id) == (False, again)
    second = read(ledger, REGISTRAR, again, typed(medial="1.6", confidence=SURE))
    assert kept(ledger, second)[:3] == (first, "the wrong level", "first")
    assert kept(ledger, first)[0] is None
    assert str(state_of(ledger)[1]) == "1.6"
    assert [item.reading_id for item in my_readings(ledger, rita)] == [second]
    assert check_ledger(ledger, local_operator(ledger)) == []


def test_a_second_reading_is_asked_for_once_however_often_the_first_is_made(ledger, rita):
    first = read(ledger, REGISTRAR, L4_LEFT, typed(medial="1.0"))
    assert len(asked(ledger, "second")) == 1
    again = read_again(ledger, rita, first, "looked again", LATER)
    read(ledger, REGISTRAR, again, typed(medial="3.0"))
    assert len(asked(ledger, "second")) == 1
    assert state_of(ledger)[0] == ConsensusState.AWAITING_SECOND


def test_a_first_reading_that_meets_the_rule_only_now_asks_for_its_second(ledger, rita):
    first = read(ledger, REGISTRAR, L4_LEFT, UNREADABLE)
    with ledger.writing(local_operator(ledger), LATER) as work:
        # As though nothing had been drawn.
        for one in asked(ledger, "second"):
            work.update(Assignment, "take out", one.id, role="adjudication")
    again = read_again(ledger, rita, first, "another window", LATER)
    read(ledger, REGISTRAR, again, typed(medial="3.0"))
    assert [one.reason for one in asked(ledger, "second")] == ["2 mm or more"]


def test_a_reason_is_asked_for(ledger, rita):
    first = read(ledger, REGISTRAR, L4_LEFT, typed(medial="1.0"))
    for reason in ("", "   ", "x" * 101):
        with pytest.raises(BadInputError, match="in 1 to 100 characters why"):
            read_again(ledger, rita, first, reason, LATER)
    assert [one.supersedes_id for one in asked(ledger, "first")] == [None]


def test_nobody_replaces_another_s_reading_nor_one_that_is_asked_for_already(ledger, rita):
    first = read(ledger, REGISTRAR, L4_LEFT, typed(medial="1.0"))
    for account in (SECOND_READER, QUALITY_LEAD):
        with pytest.raises(NotFoundError):
            read_again(ledger, viewer(ledger, account), first, "why not", LATER)
    read_again(ledger, rita, first, "looked again", LATER)
    with pytest.raises(ConflictError, match="asked for already"):
        read_again(ledger, rita, first, "and again", LATER)
    with pytest.raises(ConflictError, match="read again already"):
        ask_another_reader(ledger, viewer(ledger, QUALITY_LEAD), first, "by another", LATER)


def test_the_lead_has_a_reading_made_again_by_somebody_who_has_not_read_the_screw(ledger, rita):
    lead = viewer(ledger, QUALITY_LEAD)
    first = read(ledger, REGISTRAR, L4_LEFT, typed(medial="1.0"))
    (second,) = asked(ledger, "second")
    read(ledger, SECOND_READER, second.id, typed(medial="1.2"))
    with pytest.raises(NotAllowedError):
        ask_another_reader(ledger, rita, first, "he operated", LATER)
    again = ask_another_reader(ledger, lead, first, "its reader turned out to operate", LATER)
    for account, is_offered in ((REGISTRAR, False), (SECOND_READER, False), (JUDGE, True)):
        owed = worklist(ledger, viewer(ledger, account), LATER)
        assert (again in {item.assignment_id for item in owed}) is is_offered
        assert {item.role for item in owed} == {"reading"}
    third = read(ledger, JUDGE, again, typed(medial="1.6"))
    assert kept(ledger, third)[:3] == (first, "its reader turned out to operate", "first")
    assert (state_of(ledger)[0], str(state_of(ledger)[1])) == (ConsensusState.AGREED, "1.4")
    with pytest.raises(ConflictError, match="has been replaced"):
        ask_another_reader(ledger, lead, first, "once more", LATER)
    with pytest.raises(NotFoundError):
        ask_another_reader(ledger, lead, 4711, "none such", LATER)
    # Its first reader still finds it, and cannot take it back.
    (listed,) = my_readings(ledger, rita)
    assert (listed.reading_id, listed.can_be_replaced) == (first, False)
    assert check_ledger(ledger, local_operator(ledger)) == []


def test_one_that_was_closed_is_asked_for_again_under_the_same_record(ledger, rita):
    first = read(ledger, REGISTRAR, L4_LEFT, typed(medial="1.0"))
    again = read_again(ledger, rita, first, "looked again", LATER)
    with ledger.writing(local_operator(ledger), LATER) as work:
        work.update(Assignment, "close", again, closed_at=LATER, closed_reason="not needed")
    lead = viewer(ledger, QUALITY_LEAD)
    assert ask_another_reader(ledger, lead, first, "needed after all", LATER) == again
    assert again in {item.assignment_id for item in worklist(ledger, lead, LATER)}


def test_a_reader_looks_back_on_level_side_and_finding_and_nothing_that_unblinds(ledger, rita):
    read(ledger, REGISTRAR, L4_LEFT, typed(medial="1.0"))
    read(ledger, REGISTRAR, L4_RIGHT, UNREADABLE)
    found = my_readings(ledger, rita)
    assert [(item.level, item.side, item.is_assessable) for item in found] == [
        ("L4", "R", False),
        ("L4", "L", True),
    ]
    # The whole of what a page can print.
    assert {field.name for field in fields(OwnReading)} == {
        *("reading_id", "level", "side", "number", "is_adjudication", "saved_at"),
        *("is_assessable", "extents_mm", "can_be_replaced", "open_assignment_id"),
        "proposal_seen",
    }


def test_no_lead_has_a_screw_of_their_own_case_read_again(ledger):
    first = read(ledger, REGISTRAR, L4_LEFT, typed(medial="5.0"))
    surgeon = viewer(ledger, SURGEON)
    both = replace(surgeon, roles=surgeon.roles | {Role.QUALITY_LEAD})
    with pytest.raises(NotAllowedError, match="ask by your right of reply"):
        ask_another_reader(ledger, both, first, "it was contained", LATER)
    with ledger.reading() as session:
        assert screw_in_full(session, both, (0, 90), 1).viewer_took_part
        assert not screw_in_full(session, viewer(ledger, QUALITY_LEAD), (0, 90), 1).viewer_took_part
