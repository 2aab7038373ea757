"""A case entered by hand: whole or not at all, and once."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import func, select

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.actions.enter_case import enter_case, look_up_earlier
from registry.domain.directions import Side
from registry.domain.problems import BadInputError, ConflictError
from registry.intake.entered import ScrewPlace, read_case
from registry.store.models.cases import Case, Screw
from registry.store.models.patients import Patient, VaultEntry
from registry.store.models.people import Person
from registry.store.queries.constructs import case_in_full
from registry.store.queries.counted_screws import counted_screws
from tests.build.loaded import LOG_ROWS, NOW, READING_ROWS, TODAY, load_reading_rows, load_rows

TEXTS = {
    "case_ref": "OP-900",
    "patient_ref": "H900",
    "operated_on": "2026-03-02",
    "surgeon": "Anna Berg",
}
SCREW = {
    "entry_technique": "lateral intersection",
    "guidance": "freehand",
    "life": "placed",
    "diameter_mm": "6.5",
}
PLACES = [ScrewPlace(level, side) for level in ("L4", "L5") for side in Side]


def typed(screw=(), **texts):
    return read_case(TEXTS | texts, {place: SCREW | dict(screw) for place in PLACES}, TODAY)


def enter(ledger, case, *, new_persons=("Anna Berg",), now=NOW):
    return enter_case(ledger, acting(ledger, None), case, new_persons=new_persons, now=now)


def counts(ledger):
    with ledger.reading() as session:
        return [
            session.execute(select(func.count()).select_from(model)).scalar()
            for model in (Case, Screw, Patient, VaultEntry, Person)
        ]


def verified(ledger):
    return check_ledger(ledger, acting(ledger, None)) == []


def test_two_who_enter_the_same_case_at_the_same_moment_one_wins_and_the_other_is_told(ledger):
    load_rows(ledger, *LOG_ROWS)
    before = counts(ledger)
    both_ready = threading.Barrier(2)

    def one(number):
        case = typed(patient_ref=f"H90{number}", indication=f"of number {number}")
        both_ready.wait()
        try:
            return enter(ledger, case, new_persons=())
        except ConflictError as problem:
            return problem

    with ThreadPoolExecutor(2) as pool:
        ends = list(pool.map(one, range(2)))
    (refused,) = [end for end in ends if isinstance(end, ConflictError)]
    assert refused.faults[0].line() == (
        "Case reference: 'OP-900' is in the ledger already; nothing was saved; everything is "
        "still in the form: give another reference, or look at the case that is there"
    )
    after = counts(ledger)
    assert [now - then for now, then in zip(after, before, strict=True)] == [1, 4, 1, 1, 0]
    winner = ends.index(next(end for end in ends if end is not refused))
    with ledger.reading() as session:
        query = select(Case.indication).where(Case.reference == "OP-900")
        assert session.execute(query).scalar_one() == f"of number {winner}"
    assert verified(ledger)


def test_a_patient_who_is_known_keeps_one_record_and_one_birth_date(ledger):
    load_rows(ledger, *LOG_ROWS)
    before = counts(ledger)
    enter(ledger, typed(patient_ref="INV-0001", birth_date="1960-01-02"), new_persons=())
    after = counts(ledger)
    assert [now - then for now, then in zip(after, before, strict=True)] == [1, 4, 0, 0, 0]
    other = typed(case_ref="OP-901", patient_ref="INV-0001", birth_date="1950-06-08")
    with pytest.raises(ConflictError, match="keeps another day") as refused:
        enter(ledger, other, new_persons=())
    assert "1950" not in str(refused.value)
    assert counts(ledger) == after


def test_nothing_is_half_saved_when_a_name_is_unknown(ledger):
    before = counts(ledger)
    with pytest.raises(BadInputError, match="nobody is known as 'Bodo Carl'"):
        enter(ledger, typed(screw={"operator": "Bodo Carl"}))
    assert counts(ledger) == before
    entered = enter(
        ledger,
        typed(screw={"operator": "Bodo  CARL"}, assistants="bodo carl | Anna Berg"),
        new_persons=("Anna Berg", "Bodo Carl"),
    )
    assert [name.casefold() for name in entered.new_persons] == ["anna berg", "bodo carl"]
    assert verified(ledger)


def test_a_removed_screw_cannot_be_replaced_and_one_cannot_be_replaced_twice(ledger):
    earlier = dict.fromkeys(PLACES, SCREW)
    earlier[PLACES[0]] = SCREW | {"life": "removed"}
    enter(ledger, read_case(TEXTS, earlier, TODAY))
    local = acting(ledger, None)
    found = look_up_earlier(ledger, local, "H900", date(2026, 3, 2), NOW)
    assert [(screw.level, screw.side) for screw in found] == [("L4", "R"), ("L5", "L"), ("L5", "R")]
    assert look_up_earlier(ledger, local, "H900", date(2026, 3, 1), NOW) == []
    assert look_up_earlier(ledger, local, "H901", None, NOW) == []
    right = PLACES[1]
    second = ScrewPlace(right.level, right.side, 2)
    texts = SCREW | {"replaces_id": str(found[0].screw_id)}
    twice = read_case(TEXTS | {"case_ref": "OP-901"}, {right: texts, second: texts}, TODAY)
    with pytest.raises(BadInputError, match="replaced twice"):
        enter(ledger, twice, now=datetime(2026, 3, 31, 13, tzinfo=UTC))
    once = read_case(TEXTS | {"case_ref": "OP-901"}, {right: texts}, TODAY)
    enter(ledger, once)
    assert verified(ledger)


@pytest.mark.parametrize(("hours", "counts_as"), [(-1, "bicortical"), (1, None)])
def test_an_intention_set_after_imaging_does_not_count_as_intended(ledger, hours, counts_as):
    load_rows(ledger, *LOG_ROWS)
    load_reading_rows(ledger, *READING_ROWS)
    with ledger.writing("test", NOW) as work:
        recorded = NOW + timedelta(hours=hours)
        changes = {"intention": "bicortical", "intention_recorded_at": recorded}
        work.update(Screw, "correct a screw", 5, because="a test", **changes)
    with ledger.reading() as session:
        (screw,) = [s for s in counted_screws(session, (0, 90), None) if s.screw_id == 5]
        case = case_in_full(session, acting(ledger, None), (0, 90), screw.case_id)
    assert screw.intention == counts_as
    told = [note.text for note in case.warnings if "recorded after imaging" in note.text]
    assert len(told) == (0 if counts_as else 1)
