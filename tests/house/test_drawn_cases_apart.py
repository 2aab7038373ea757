"""A ledger with drawn cases answers every question as one without; only what asks for them differs.

The questions are the program's own list of queries, so that a new one is held to it without
anybody thinking of it.
"""

from __future__ import annotations

import inspect
import re
from datetime import date, timedelta

import pytest
from sqlalchemy import ColumnElement, Select, event, func, select
from sqlalchemy.orm import Session, aliased
from sqlalchemy.orm.util import identity_key

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.domain.known_truth import Purpose
from registry.store.apart import KEPT_APART, criteria, held_apart
from registry.store.models.cases import Case, Screw
from registry.store.models.drawn import DrawnCase, DrawnScan, DrawnScrew
from registry.store.models.every import TRACKED
from registry.store.models.people import Person
from registry.store.models.readings import Reading
from registry.store.models.scans import Scan
from registry.store.queries.known_truth import known_truth_readings
from tests.build.drawn import CONTAINED, MEDIAL, SLIGHT, put_copy, put_drawing, put_drawn_reading
from tests.build.loaded import NOW, an_account, fill, fill_drawn
from tests.house.test_access_matrix_queries import VIEWERS, public_functions

OF_DRAWN = {DrawnScan, DrawnScrew, DrawnCase}
SAYS_SO = {
    # Known truth, and the giving of copies.
    *("visible.drawn_readings", "known_truth.known_truth_readings"),
    *("drawn_scans.kept_drawings", "drawn_scans.copies_of", "drawn_scans.surgeon_of_drawn"),
    # The lead opens the picture of one that was missed.
    *("visible.reopenable_readings", "visible.visible_events", "trail.trail_lines"),
    # The worker proposes of drawn scans as of any other, and nothing else is told by the length.
    *("proposals.scans_to_propose", "proposals.owed_proposals", "proposals.trail_length"),
    "seals.trail_end",
}
GIVEN = {
    ("window_days", "tuple[int, int]"): (0, 90),
    ("since", "date"): date(2026, 1, 1),
    ("until", "date | None"): None,
}
"""What a query is handed beside session and viewer, by its name and type."""


@pytest.fixture
def filled(ledger, tmp_path):
    fill(ledger, tmp_path)
    for name, (roles, person) in VIEWERS.items():
        if name != "steward":
            an_account(ledger, name, *roles, person=person)
    return ledger


def in_words(session, found):
    """Return an answer so that it can be compared; of a query the rows that it finds."""
    if isinstance(found, Select):
        return sorted(identity_key(instance=row)[1] for row in session.execute(found).scalars())
    if isinstance(found, ColumnElement):
        # A part of a query finds nothing by itself.
        return ""
    return re.sub(r" at 0x[0-9a-f]+", "", repr(found))


def answers(ledger):
    """Return what every query answers that can be asked with what is known here."""
    asking = [acting(ledger, name) for name in VIEWERS if name != "steward"]
    asking.append(acting(ledger, None))
    given, found = GIVEN | {("settings", "Settings"): ledger.settings}, {}
    with ledger.reading() as session:
        for name, function in public_functions().items():
            needed = {
                (parameter.name, parameter.annotation)
                for parameter in inspect.signature(function).parameters.values()
                if parameter.default is parameter.empty
            }
            asked = {("session", "Session"), ("viewer", "Viewer")}
            if not needed <= asked | set(given):
                continue
            values = {each[0]: given[each] for each in needed & set(given)}
            if ("session", "Session") in needed:
                values["session"] = session
            for viewer in asking if ("viewer", "Viewer") in needed else [None]:
                named = {} if viewer is None else {"viewer": viewer}
                who = "" if viewer is None else viewer.name
                found[name, who] = in_words(session, function(**values, **named))
    return found


def test_every_query_answers_as_if_nothing_were_drawn(filled):
    before = answers(filled)
    assert len({name for name, _ in before}) >= 30
    fill_drawn(filled)
    after = answers(filled)
    differing = {name for name, who in before if before[name, who] != after[name, who]}
    assert differing <= SAYS_SO
    assert {"known_truth.known_truth_readings", "drawn_scans.kept_drawings"} <= differing
    assert check_ledger(filled, acting(filled, None)) == []


def test_a_query_is_held_to_all_that_every_condition_there_is_would_hold_it_to(filled):
    asked = {}

    def listen(state):
        if state.is_select:
            asked[str(state.statement)] = state.statement

    event.listen(Session, "do_orm_execute", listen, insert=True)
    try:
        answers(filled)
        with filled.reading() as session:
            within, other = aliased(Screw), aliased(Case)
            inner = select(Case.id).where(Case.id == within.case_id).correlate(within)
            listed = select(Scan.case_id).cte()
            session.execute(select(within.id).where(inner.exists())).all()
            session.execute(select(Person.id).where(Person.id.in_(select(other.id)))).all()
            session.execute(select(listed.c.case_id, Case.id).join(Case, Case.id == 1)).all()
            session.execute(select(Case.id).union(select(Scan.id).where(Scan.id > 1))).all()
            session.execute(select(func.count()).select_from(select(Scan).subquery())).all()
            session.get(Reading, 1)
    finally:
        event.remove(Session, "do_orm_execute", listen)
    assert len(asked) >= 50
    for statement in asked.values():
        held, wholly = held_apart(statement), statement.options(*criteria().values())
        assert str(held.compile(filled.engine)) == str(wholly.compile(filled.engine))
    assert sum(str(held_apart(each)) != str(each) for each in asked.values()) >= 30


def test_every_table_that_holds_a_drawn_row_is_held_apart(filled):
    def counts(*, with_drawn):
        options = {"with_drawn": with_drawn}
        with filled.reading() as session:
            return {
                model: session.execute(
                    select(func.count()).select_from(model).execution_options(**options)
                ).scalar_one()
                for model in TRACKED
            }

    before = counts(with_drawn=True)
    fill_drawn(filled)
    after = counts(with_drawn=True)
    drawn = {model for model in TRACKED if after[model] != before[model]} - OF_DRAWN
    assert {"operation", "screw", "scan", "reading", "assignment", "person", "patient"} <= {
        model.__tablename__ for model in drawn
    }
    assert drawn <= set(KEPT_APART)
    assert counts(with_drawn=False) == {
        model: after[model] if model in OF_DRAWN else before[model] for model in TRACKED
    }


def test_who_sees_surgeons_sees_every_known_truth_and_a_reader_their_own_practice(filled):
    ask = select(Person.id).where(Person.name == "Rita Reader")
    with filled.writing(acting(filled, None), NOW + timedelta(hours=2)) as work:
        rita = work.session.execute(ask).scalar_one()
        account = acting(filled, "registrar").account_id
        practice = put_drawing(filled, work, Purpose.PRACTICE, 5, MEDIAL, SLIGHT, CONTAINED)
        mixed = put_drawing(filled, work, Purpose.MIXED, 6, MEDIAL, CONTAINED)
        first, second, _ = put_copy(filled, work, practice, rita)
        missed, _ = put_copy(filled, work, mixed, rita)
        put_drawn_reading(work, first, account, medial="3.0")
        put_drawn_reading(work, second, account)
        put_drawn_reading(work, missed, account, lateral="1.0")

    def seen(name):
        with filled.reading() as session:
            found = known_truth_readings(session, acting(filled, name))
            return [
                (each.purpose, each.truth_mm["medial"], each.read_mm["medial"]) for each in found
            ]

    own = [("practice", 3, 3), ("practice", 0, 0)]
    told = [(purpose, round(truth), round(read)) for purpose, truth, read in seen("registrar")]
    assert told == own
    for name in ("quality lead", None):
        assert len(seen(name)) == 3
        assert ("mixed", 3, 0) in [(p, round(t), round(r)) for p, t, r in seen(name)]
    for name in ("surgeon", "nobody in particular", "no role"):
        assert seen(name) == []
    assert check_ledger(filled, acting(filled, None)) == []
