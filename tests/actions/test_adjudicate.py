"""Where two readings differ somebody who made neither decides, blind, by appointment or as lead."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import select

from registry.actions.adjudicate import adjudications, appoint, possible_adjudicators, take_back
from registry.actions.check_ledger import check_ledger
from registry.actions.read_again import read_again
from registry.actions.settle import AGREE_NOW
from registry.actions.worklist import blind_screw, worklist
from registry.domain.consensus import ConsensusState
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    NotAllowedError,
    NotFoundError,
)
from registry.store.models.trail import EventRow
from tests.build.desk import L4_LEFT
from tests.build.ledgers import QUALITY_LEAD, REGISTRAR, SURGEON, local_operator, viewer
from tests.build.two_readings import (
    JUDGE,
    LATER,
    SECOND_READER,
    asked,
    fill_for_two,
    read,
    state_of,
    typed,
)

THEN = LATER + timedelta(days=3)


@pytest.fixture
def differing(ledger):
    """Give a ledger in which two readings of a screw differ, and their numbers."""
    fill_for_two(ledger)
    first = read(ledger, REGISTRAR, L4_LEFT, typed(medial="1.0"))
    (second,) = asked(ledger, "second")
    return ledger, first, read(ledger, SECOND_READER, second.id, typed(medial="5.0"))


def people(ledger, *accounts):
    return {account.name: viewer(ledger, account).person_id for account in accounts}


def owed_to(ledger, account):
    return {
        item.assignment_id: item.role for item in worklist(ledger, viewer(ledger, account), LATER)
    }


def test_an_adjudication_is_asked_for_once_and_decides(differing):
    ledger, _, _ = differing
    assert state_of(ledger)[0] == ConsensusState.AWAITING_ADJUDICATION
    (owed,) = asked(ledger, "adjudication")
    assert (owed.reason, owed.closed_at) == ("the two readings do not agree", None)
    for account in (REGISTRAR, SECOND_READER, JUDGE, SURGEON):
        assert owed.id not in owed_to(ledger, account)
    assert owed_to(ledger, QUALITY_LEAD)[owed.id] == "adjudication"
    read(ledger, QUALITY_LEAD, owed.id, typed(medial="3.2"))
    state, medial, is_provisional = state_of(ledger)
    assert (state, str(medial), is_provisional) == (ConsensusState.ADJUDICATED, "3.2", False)
    assert adjudications(ledger, viewer(ledger, QUALITY_LEAD), THEN) == []
    assert check_ledger(ledger, local_operator(ledger)) == []


def test_the_adjudicator_is_told_level_side_and_diameter_and_no_reading(differing):
    ledger, _, _ = differing
    (owed,) = asked(ledger, "adjudication")
    told = repr(blind_screw(ledger, viewer(ledger, QUALITY_LEAD), owed.id, LATER))
    for hidden in ("Rita", "Ruth", "1.0", "5.0", "OP-", "Berg", "differ", "agree"):
        assert hidden not in told


def test_the_lead_appoints_who_made_neither_reading_and_had_no_part(differing):
    ledger, _, _ = differing
    lead = viewer(ledger, QUALITY_LEAD)
    (owed,) = asked(ledger, "adjudication")
    (listed,) = adjudications(ledger, lead, THEN)
    assert (listed.level, listed.side, listed.waiting_days) == ("L4", "L", 3)
    assert (listed.appointed, listed.is_viewers, listed.is_held_here) == (None, True, True)
    persons = people(ledger, REGISTRAR, SECOND_READER, JUDGE, SURGEON)
    # Whoever it is about, the list is the same, so it tells nothing of who operated or read.
    offered = {person_id for person_id, _ in possible_adjudicators(ledger, lead)}
    assert offered == {*persons.values(), lead.person_id}
    for name in ("rita", "ruth", "anna"):
        with pytest.raises(BadInputError, match="has read this screw, or operated or assisted"):
            appoint(ledger, lead, owed.id, persons[name], THEN)
    for nobody in (None, 4711):
        with pytest.raises(BadInputError, match="choose one from the list"):
            appoint(ledger, lead, owed.id, nobody, THEN)
    appoint(ledger, lead, owed.id, persons["jana"], THEN)
    (listed,) = adjudications(ledger, lead, THEN)
    assert (listed.appointed, listed.is_viewers) == ("Jana Judge", False)
    assert owed_to(ledger, JUDGE)[owed.id] == "adjudication"
    assert owed.id not in owed_to(ledger, QUALITY_LEAD)
    with pytest.raises(ConflictError, match="take it back first"):
        appoint(ledger, lead, owed.id, persons["jana"], THEN)
    with pytest.raises(ConflictError, match="by now Jana Judge is appointed"):
        take_back(ledger, lead, owed.id, persons["ruth"], THEN)
    take_back(ledger, lead, owed.id, persons["jana"], THEN)
    with pytest.raises(ConflictError, match="nobody is appointed"):
        take_back(ledger, lead, owed.id, persons["jana"], THEN)
    assert owed.id not in owed_to(ledger, JUDGE)
    appoint(ledger, lead, owed.id, persons["jana"], THEN)
    read(ledger, JUDGE, owed.id, typed(medial="4.4"))
    assert state_of(ledger)[0] == ConsensusState.ADJUDICATED
    with pytest.raises(NotFoundError, match="made meanwhile"):
        take_back(ledger, lead, owed.id, persons["jana"], THEN)
    with ledger.reading() as session:
        events = session.execute(
            select(EventRow.verb, EventRow.actor).where(EventRow.record == f"assignment:{owed.id}")
        ).all()
    assert [tuple(event) for event in events] == [
        ("ask for an adjudication", "ruth"),
        ("appoint an adjudicator", "lena"),
        ("take an adjudication back", "lena"),
        ("appoint an adjudicator", "lena"),
    ]
    assert check_ledger(ledger, local_operator(ledger)) == []


def test_only_a_lead_sees_to_adjudications(differing):
    ledger, _, _ = differing
    (owed,) = asked(ledger, "adjudication")
    for account in (REGISTRAR, SURGEON, JUDGE):
        with pytest.raises(NotAllowedError):
            adjudications(ledger, viewer(ledger, account), THEN)
        with pytest.raises(NotAllowedError):
            appoint(ledger, viewer(ledger, account), owed.id, 1, THEN)
        with pytest.raises(NotAllowedError):
            take_back(ledger, viewer(ledger, account), owed.id, None, THEN)


def test_it_is_closed_when_a_reading_that_replaces_another_makes_them_agree(differing):
    ledger, first, second = differing
    (owed,) = asked(ledger, "adjudication")
    ruth = viewer(ledger, SECOND_READER)
    again = read_again(ledger, ruth, second, "I had the wrong screw", THEN)
    assert state_of(ledger)[0] == ConsensusState.AWAITING_ADJUDICATION
    third = read(ledger, SECOND_READER, again, typed(medial="1.2"))
    state, medial, is_provisional = state_of(ledger)
    assert (state, str(medial), is_provisional) == (ConsensusState.AGREED, "1.1", False)
    (closed,) = asked(ledger, "adjudication")
    assert (closed.id, closed.closed_reason) == (owed.id, AGREE_NOW)
    assert owed.id not in owed_to(ledger, QUALITY_LEAD)
    with pytest.raises(ConflictError, match="not yours to make"):
        read(ledger, QUALITY_LEAD, owed.id, typed(medial="3.2"))
    # And asked for again, should they differ once more.
    again = read_again(ledger, ruth, third, "no, it was right", THEN)
    read(ledger, SECOND_READER, again, typed(medial="4.8"))
    (opened,) = asked(ledger, "adjudication")
    assert (opened.id, opened.closed_at, opened.closed_reason) == (owed.id, None, None)
    assert owed.id in owed_to(ledger, QUALITY_LEAD)
    assert first < second < third
    assert check_ledger(ledger, local_operator(ledger)) == []


def test_an_adjudication_that_was_made_stands_though_the_two_agree_by_now(differing):
    ledger, first, _ = differing
    (owed,) = asked(ledger, "adjudication")
    read(ledger, QUALITY_LEAD, owed.id, typed(medial="3.2"))
    again = read_again(ledger, viewer(ledger, REGISTRAR), first, "looked again", THEN)
    read(ledger, REGISTRAR, again, typed(medial="4.9"))
    assert (state_of(ledger)[0], str(state_of(ledger)[1])) == (ConsensusState.ADJUDICATED, "3.2")
    assert check_ledger(ledger, local_operator(ledger)) == []
