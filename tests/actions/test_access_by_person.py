"""Rules over persons as well as roles: what one's part in a case leaves one to do with it.

One line a part that a person can have in a case, one column a role; from the design's section 7.
The letters: c looks at the case, r is offered its first reading, b would read it blind, a is
offered an adjudication to which they are appointed, o replies to it as own data.
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.worklist import worklist
from registry.domain.access import Role
from registry.domain.reply import quarter
from registry.store.models.cases import Case, Screw
from registry.store.models.readings import Assignment
from registry.store.models.scans import Scan
from registry.store.queries.assignments import saving_facts
from registry.store.queries.replies import own_reply_screws
from registry.store.visible import readable_assignments, visible_cases
from tests.build.loaded import an_account, load_rows
from tests.build.read import read_screw
from tests.build.scanned import with_held_scan

NOW = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)
ROLES = {
    "registrar": Role.REGISTRAR,
    "surgeon": Role.SURGEON,
    "lead": Role.QUALITY_LEAD,
    "steward": Role.STEWARD,
}
TABLE = """
part                    registrar  surgeon  lead  steward
none                    rba        rba      crba  -
responsible surgeon     -          co       c     -
second surgeon          -          co       c     -
assistant               -          co       c     -
operator of a screw     -          co       c     -
entered the case        ra         ra       cra   -
matched its scan        ra         ra       cra   -
read the screw first    -          -        c     -
"""
WINDOW = (0, 90)


def lines():
    rows = TABLE.strip().splitlines()[1:]
    return {line[:24].strip(): dict(zip(ROLES, line[24:].split(), strict=True)) for line in rows}


PARTS = lines()
COLUMN = {
    "responsible surgeon": "surgeon",
    "second surgeon": "second_surgeon",
    "assistant": "assistants",
    "operator of a screw": "operator",
}


def person_of(part, role):
    return f"{role} {part}"


@pytest.fixture
def unit(ledger):
    """Give a case for each part and role, two screws each; the second awaits its adjudication."""
    local = acting(ledger, None)
    rows = []
    for part in PARTS:
        for role in ROLES:
            reference = person_of(part, role)
            row = {"case_ref": reference, "patient_ref": reference, "operated_on": "2026-03-02",
                   "surgeon": "Anna Berg", "level": "L4"}  # fmt: skip
            if part in COLUMN:
                row[COLUMN[part]] = reference
            rows += [row, {**row, "side": "R", "operator": row.get("operator", "Emil Falk")}]
    load_rows(ledger, *rows)
    for row in rows[::2]:
        with_held_scan(ledger, row["case_ref"])
    viewers = {
        (part, role): an_account(
            ledger, person_of(part, role), ROLES[role], person=person_of(part, role),
            new_person=part not in COLUMN,
        )
        for part in PARTS
        for role in ROLES
    }  # fmt: skip
    with ledger.reading() as session:
        query = select(Case.reference, Screw.id, Scan.id, Case.id).join(Screw).join(Scan)
        query = query.where(Screw.case_id == Case.id, Scan.case_id == Case.id, Screw.side == "L")
        places = {row[0]: tuple(row[1:]) for row in session.execute(query)}
    with ledger.writing(local, NOW) as work:
        for (part, role), viewer in viewers.items():
            screw, scan, case = places[person_of(part, role)]
            asked = {"screw_id": screw, "scan_id": scan, "made_at": NOW}
            work.insert(Assignment, "ask", role="first", reason="on the audit scan", **asked)
            work.insert(
                Assignment, "ask", role="adjudication", reason="two readings do not agree",
                reader_id=viewer.person_id, **asked,
            )  # fmt: skip
            if part == "entered the case":
                work.update(Case, "for the test", case, entered_by_id=viewer.account_id)
            if part == "matched its scan":
                work.update(Scan, "for the test", scan, matched_by_id=viewer.account_id)
    for role in ROLES:
        viewer = viewers["read the screw first", role]
        screw, scan, _ = places[person_of("read the screw first", role)]
        read_screw(ledger, viewer, screw, scan, NOW)
    return ledger, viewers, places


def letters(ledger, viewer, place):
    screw, scan, case = place
    with ledger.reading() as session:
        sees = session.execute(visible_cases(viewer).where(Case.id == case)).first() is not None
        offered = session.execute(
            readable_assignments(viewer)
            .with_only_columns(Assignment.id, Assignment.role)
            .where(Assignment.screw_id == screw, Assignment.scan_id == scan)
        ).all()
        first = next((row.id for row in offered if row.role == "first"), None)
        facts = None if first is None else saving_facts(session, viewer, first)
        own = own_reply_screws(session, viewer, quarter("2026Q1"), WINDOW)
    if facts is not None:
        listed = [item for item in worklist(ledger, viewer, NOW) if item.assignment_id == first]
        assert [item.is_last for item in listed] == [not facts.is_blind]
    said = {
        "c": sees,
        "r": facts is not None,
        "b": facts is not None and facts.is_blind,
        "a": any(row.role == "adjudication" for row in offered),
        "o": any(item.screw_id == screw for item in own),
    }
    return "".join(letter for letter, is_so in said.items() if is_so) or "-"


def test_one_s_part_in_a_case_decides_beside_the_role(unit):
    ledger, viewers, places = unit
    found = {
        part: {
            role: letters(ledger, viewers[part, role], places[person_of(part, role)])
            for role in ROLES
        }
        for part in PARTS
    }
    assert found == PARTS
