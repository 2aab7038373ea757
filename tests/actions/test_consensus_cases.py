"""Every line of `consensus_cases.md` once more, through a ledger: readings, replacements, owed."""

from __future__ import annotations

from datetime import date

import pytest
from sqlalchemy import select

from registry.actions.check_ledger import check_ledger
from registry.actions.settle import DISAGREE, settle
from registry.domain.consensus import ConsensusState
from registry.domain.directions import Direction
from registry.domain.readings import Method, NotAssessableReason, ReadingRole
from registry.store.models.readings import Assignment, ConsensusRow, Reading
from tests.build.consensus_cases import consensus_cases
from tests.build.ledgers import NOW, a_case, a_person, a_scan, a_screw, local_operator

CASES = consensus_cases()


@pytest.fixture
def settled(ledger):
    """Give a ledger with a screw of its own for each line, numbered from 1, settled."""
    with ledger.writing(local_operator(ledger), NOW) as work:
        readers = {role: a_person(work, f"the {role}'s reader") for role in ReadingRole}
        surgeon = a_person(work, "a surgeon")
        for number, case in enumerate(CASES, start=1):
            operation = a_case(work, ledger, number, surgeon, date(2026, 2, 3))
            screw = a_screw(work, operation, case.level, "L", number)
            scan = a_scan(work, operation, date(2026, 2, 6), None)
            for role, said in case.readings.items():
                enter(work, screw, scan, role, readers[role], said)
            if case.second_asked_for != "no":
                ask_for_second(work, screw, scan, is_closed=case.second_asked_for == "closed")
        settle(work, ledger.settings, range(1, len(CASES) + 1))
    return ledger


def enter(work, screw, scan, role, reader, said):
    earlier = None
    for each in said:
        earlier = work.insert(
            Reading,
            "read a screw",
            screw_id=screw,
            scan_id=scan,
            reader_id=reader,
            recorded_by_id=1,
            role=role.value,
            read_on=NOW.date(),
            recorded_at=NOW,
            is_assessable=each.is_assessable,
            not_assessable_reason=None if each.is_assessable else NotAssessableReason.ARTEFACT,
            method=Method.TYPED,
            is_blind=True,
            bearing_deg=each.bearing_deg,
            supersedes_id=earlier,
            superseded_reason=None if earlier is None else "looked again",
            **{f"{wall}_mm": mm for wall, mm in each.extents_mm.items()},
        )


def ask_for_second(work, screw, scan, *, is_closed):
    work.insert(
        Assignment,
        "ask for a second reading",
        screw_id=screw,
        scan_id=scan,
        role=ReadingRole.SECOND.value,
        reason="low confidence",
        made_at=NOW,
        closed_at=NOW if is_closed else None,
        closed_reason="owed no longer" if is_closed else None,
    )


def test_the_ledger_keeps_for_each_line_what_it_says(settled):
    with settled.reading() as session:
        rows = {row.screw_id: row for row in session.execute(select(ConsensusRow)).scalars()}
        session.expunge_all()
        disagreeing = select(Assignment.screw_id).where(Assignment.reason == DISAGREE)
        asked = set(session.execute(disagreeing).scalars())
    for number, case in enumerate(CASES, start=1):
        row = rows[number]
        assert (row.state, row.is_provisional) == (case.state, case.is_provisional), case.name
        assert row.is_assessable == case.counts.is_assessable, case.name
        found = {wall: getattr(row, f"{wall}_mm") for wall in Direction}
        assert found == case.counts.extents_mm, case.name
        assert row.bearing_deg == case.counts.bearing_deg, case.name
        assert (number in asked) == (case.state == ConsensusState.AWAITING_ADJUDICATION), case.name
    assert check_ledger(settled, local_operator(settled)) == []
