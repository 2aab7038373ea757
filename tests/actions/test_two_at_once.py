"""Two readers save the same screw at the same moment: one wins, the other is told in words."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from sqlalchemy import select

from registry.actions.adjudicate import appoint
from registry.actions.check_ledger import check_ledger
from registry.domain.problems import ConflictError
from registry.store.models.readings import Assignment, Reading
from tests.build.desk import L3_LEFT, L4_LEFT, L4_RIGHT, S1_LEFT
from tests.build.ledgers import QUALITY_LEAD, REGISTRAR, local_operator, viewer
from tests.build.two_readings import (
    JUDGE,
    LATER,
    SECOND_READER,
    asked,
    fill_for_two,
    read,
    typed,
)

EVERY = (L4_LEFT, L4_RIGHT, S1_LEFT, L3_LEFT)
TOLD = (
    "this reading is not yours to make, or has been made meanwhile; nothing was saved; what you "
    "marked stays on the page until you leave it; go on from the worklist"
)
BOTH = (REGISTRAR, SECOND_READER)


def at_once(*deeds):
    """Do deeds at the same moment; return what each came to, or the conflict that it met."""
    together = Barrier(len(deeds))

    def do(deed):
        together.wait()
        try:
            return deed()
        except ConflictError as problem:
            return problem

    with ThreadPoolExecutor(len(deeds)) as pool:
        return list(pool.map(do, deeds))


@pytest.fixture
def ledger(ledger):
    fill_for_two(ledger)
    return ledger


def test_of_two_who_save_a_screw_at_once_one_wins_and_the_other_is_told(ledger):
    for assignment in EVERY:
        found = at_once(
            *(
                lambda who=who, assignment=assignment: read(
                    ledger, who, assignment, typed(medial="1.0")
                )
                for who in BOTH
            )
        )
        (told,) = [each for each in found if isinstance(each, ConflictError)]
        assert told.lines() == [TOLD]
    with ledger.reading() as session:
        roles = list(session.execute(select(Reading.role)).scalars())
        seconds = list(
            session.execute(
                select(Assignment.screw_id).where(Assignment.role == "second")
            ).scalars()
        )
    assert roles == ["first"] * len(EVERY)
    assert sorted(seconds) == [1, 2, 3, 4]
    assert check_ledger(ledger, local_operator(ledger)) == []


def test_two_leads_who_appoint_at_once_appoint_one(ledger):
    read(ledger, REGISTRAR, L4_LEFT, typed(medial="1.0"))
    (second,) = asked(ledger, "second")
    read(ledger, SECOND_READER, second.id, typed(medial="5.0"))
    (owed,) = asked(ledger, "adjudication")
    lead = viewer(ledger, QUALITY_LEAD)
    persons = [viewer(ledger, account).person_id for account in (JUDGE, QUALITY_LEAD)]
    found = at_once(
        *(lambda person=person: appoint(ledger, lead, owed.id, person, LATER) for person in persons)
    )
    (told,) = [each for each in found if each is not None]
    assert "somebody is appointed" in told.lines()[0]
    assert check_ledger(ledger, local_operator(ledger)) == []
