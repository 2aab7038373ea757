"""What a reader has to do: blind, scan by scan, what they entered themselves last."""

from __future__ import annotations

from dataclasses import fields
from datetime import timedelta

import pytest
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.load_scan import ScanOrder, load_scan
from registry.actions.worklist import BlindScrew, blind_screw, worklist
from registry.domain.access import Role
from registry.domain.problems import NotAllowedError, NotFoundError
from registry.store.models.cases import Case, Screw
from registry.store.models.readings import Assignment
from tests.build.loaded import LOG_ROWS, NOW, an_account, fill, load_rows
from tests.imaging.written_files import slices, write


@pytest.fixture
def filled(ledger, tmp_path):
    return fill(ledger, tmp_path)


def a_scan(ledger, tmp_path, case_ref, number, viewer=None):
    folder = tmp_path / f"scan{number}"
    write(slices(8 + number, series=number + 20, study=number + 20, PatientID=""), folder)
    order = ScanOrder(case_ref)
    return load_scan(ledger, viewer or acting(ledger, None), [folder], order, NOW)


def test_a_reader_sees_level_side_and_diameter_and_nothing_that_unblinds(filled):
    items = worklist(filled, acting(filled, "rita"), NOW + timedelta(days=3, hours=1))
    assert [(i.level, i.side, i.number, str(i.diameter_mm)) for i in items] == [
        ("L4", "L", 1, "6.5"), ("L4", "R", 1, "6.5"), ("L5", "L", 1, "6.5"), ("L5", "R", 1, "6.5"),
    ]  # fmt: skip
    assert {i.waiting_days for i in items} == {3}
    assert {i.role for i in items} == {"reading"}
    assert not any(i.is_last for i in items)
    # The whole of what a page can print.
    assert {field.name for field in fields(BlindScrew)} == {
        *("assignment_id", "level", "side", "number", "diameter_mm", "role", "waiting_days"),
        *("is_last", "image_digest", "is_practice"),
    }
    text = repr(items)
    for secret in ("OP-1", "Anna", "Berg", "intersection", "freehand", "bicortical", "INV-0001"):
        assert secret not in text


def test_who_took_part_is_offered_nothing_of_the_case(filled):
    for name in ("Anna Berg", "Bodo Carl", "Cora Dietz", "Dora Ernst", "Emil Falk"):
        viewer = an_account(filled, name, Role.QUALITY_LEAD, Role.REGISTRAR, person=name)
        assert worklist(filled, viewer, NOW) == []
        with pytest.raises(NotFoundError, match="not yours to make"):
            blind_screw(filled, viewer, 1, NOW)


def test_what_the_reader_matched_or_entered_comes_last_and_is_not_blind(filled, tmp_path):
    rita = acting(filled, "rita")
    a_scan(filled, tmp_path, "OP-4", 1, viewer=rita)
    load_rows(filled, {"case_ref": "OP-6", "patient_ref": "H6", "surgeon": "Anna Berg"},
              viewer=rita)  # fmt: skip
    a_scan(filled, tmp_path, "OP-6", 2)
    items = worklist(filled, rita, NOW)
    assert [item.is_last for item in items] == [False] * 4 + [True] * 2
    other = an_account(filled, "lena", Role.QUALITY_LEAD, person="Lena Lead")
    assert not any(item.is_last for item in worklist(filled, other, NOW))


def test_the_order_of_scans_is_each_reader_s_own_and_stays(filled, tmp_path):
    rows = [{"case_ref": f"W{n}", "patient_ref": f"W{n}", "surgeon": "Bodo Carl"} for n in range(6)]
    load_rows(filled, *rows)
    for number, row in enumerate(rows, start=1):
        a_scan(filled, tmp_path, row["case_ref"], number)
    orders = set()
    for name in ("a", "b", "c", "d"):
        viewer = an_account(filled, name, Role.REGISTRAR, person="Rita Reader")
        found = [item.assignment_id for item in worklist(filled, viewer, NOW)]
        assert found == [item.assignment_id for item in worklist(filled, viewer, NOW)]
        orders.add(tuple(found))
    assert len(orders) > 1
    assert len({frozenset(order) for order in orders}) == 1


def test_what_has_been_read_is_offered_no_more(filled):
    rita = acting(filled, "rita")
    with filled.reading() as session:
        done = session.execute(
            select(Assignment.id)
            .join(Screw, Screw.id == Assignment.screw_id)
            .join(Case, Case.id == Screw.case_id)
            .where(Case.reference == "OP-2")
        ).scalar_one()
    # A second reading of a screw whose first the reader made.
    with pytest.raises(NotFoundError):
        blind_screw(filled, rita, done, NOW)
    assert blind_screw(filled, rita, 1, NOW).level == "L4"
    with pytest.raises(NotFoundError):
        blind_screw(filled, rita, 999, NOW)


@pytest.mark.parametrize("number", range(4))
def test_removed_and_retained_screws_are_not_to_be_read(ledger, tmp_path, number):
    life = ("placed", "redirected", "removed", "retained")[number]
    load_rows(ledger, {**LOG_ROWS[0], "life": life})
    assert a_scan(ledger, tmp_path, "OP-1", 1).readings_owed == (1 if number < 2 else 0)


def test_the_steward_reads_nothing(filled):
    steward = an_account(filled, "steward", Role.STEWARD, person="Lena Lead")
    with pytest.raises(NotAllowedError):
        worklist(filled, steward, NOW)
    assert worklist(filled, acting(filled, None), NOW) == []


def test_a_reading_made_out_to_one_reader_is_offered_to_no_other(filled):
    rita = acting(filled, "rita")
    other = an_account(filled, "olga", Role.REGISTRAR, person="Lena Lead")
    before = {item.assignment_id for item in worklist(filled, other, NOW)}
    taken = min(before)
    with filled.writing(rita, NOW) as work:
        work.update(Assignment, "make out", taken, reader_id=rita.person_id)
    assert {item.assignment_id for item in worklist(filled, other, NOW)} == before - {taken}
    assert taken in {item.assignment_id for item in worklist(filled, rita, NOW)}
