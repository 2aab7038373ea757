"""What is owed follows a case: its screws' lives, its scans, and which of them it is counted on."""

from __future__ import annotations

from datetime import date

import pytest
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.actions.follow_case import ANOTHER_SCAN, NOT_COUNTED, follow_cases
from registry.actions.load_scan import ScanOrder, load_scan
from registry.store.models.cases import Screw
from registry.store.models.readings import Assignment, ConsensusRow
from registry.store.models.scans import Scan
from tests.build.loaded import NOW, fill, load_reading_rows
from tests.imaging.written_files import slices, write


@pytest.fixture
def filled(ledger, tmp_path):
    return fill(ledger, tmp_path)


def owed(ledger):
    """Return what was asked for: screw, scan, role and why it is closed."""
    with ledger.reading() as session:
        rows = session.execute(select(Assignment).order_by(Assignment.id)).scalars()
        return [(row.screw_id, row.scan_id, row.role, row.closed_reason) for row in rows]


def change(ledger, model, row_id, **values):
    with ledger.writing(acting(ledger, None), NOW) as work:
        work.update(model, "correct", row_id, because="a slip", **values)
        follow_cases(work, ledger.settings, [1, 2, 5])
    assert check_ledger(ledger, acting(ledger, None)) == []


def test_a_screw_that_is_not_counted_owes_nothing_until_it_is_again(filled):
    assert owed(filled)[0] == (1, 4, "first", None)
    change(filled, Screw, 1, life="removed")
    assert [row[3] for row in owed(filled)][:4] == [NOT_COUNTED, None, None, None]
    change(filled, Screw, 1, life="redirected")
    assert [row[3] for row in owed(filled)][:4] == [None] * 4


def test_a_retained_screw_that_turns_out_placed_is_asked_for(filled):
    with filled.writing(acting(filled, None), NOW) as work:
        work.insert(
            Screw,
            "enter a screw",
            case_id=1,
            level="S1",
            side="L",
            number=1,
            entry_technique="sacral facet corner",
            guidance="freehand",
            life="retained",
        )
        follow_cases(work, filled.settings, [1])
    before = len(owed(filled))
    with filled.reading() as session:
        added = session.execute(select(Screw.id).order_by(Screw.id.desc())).scalars().first()
    change(filled, Screw, added, life="placed")
    assert owed(filled)[before:] == [(added, 4, "first", None)]


def test_another_audit_scan_closes_what_is_owed_on_the_one_before(filled, tmp_path):
    write(slices(12, series=5, study=5, AcquisitionDate="20260301", StudyDate="20260301"),
          tmp_path / "earlier")  # fmt: skip
    loaded = load_scan(
        filled, acting(filled, None), [tmp_path / "earlier"], ScanOrder(case_ref="OP-1"), NOW
    )
    assert (loaded.scanned_on, loaded.readings_owed) == (date(2026, 3, 1), 4)
    of_case = [row for row in owed(filled) if row[0] in {1, 2, 3, 4}]
    assert [row[3] for row in of_case] == [ANOTHER_SCAN] * 4 + [None] * 4
    new_scan = of_case[4][1]
    change(filled, Scan, new_scan, is_adequate=False)
    of_case = [row for row in owed(filled) if row[0] in {1, 2, 3, 4}]
    assert [row[3] for row in of_case] == [None] * 4 + [ANOTHER_SCAN] * 4


def test_a_scan_held_elsewhere_that_comes_with_readings_takes_over(filled):
    load_reading_rows(filled, {"case_ref": "OP-1", "scan_on": "2026-02-05"})
    assert [row[3] for row in owed(filled)][:4] == [ANOTHER_SCAN] * 4
    assert check_ledger(filled, acting(filled, None)) == []


def test_a_second_reading_that_is_owed_no_longer_leaves_the_first_to_count(filled):
    def provisional():
        with filled.reading() as session:
            asked = select(ConsensusRow.is_provisional).where(ConsensusRow.screw_id == 6)
            return session.execute(asked).scalar_one()

    assert owed(filled)[4][:3] == (6, 1, "second")
    was = provisional()
    change(filled, Screw, 6, life="removed")
    assert owed(filled)[4][3] == NOT_COUNTED
    assert (was, provisional()) in {(True, False), (False, False)}
