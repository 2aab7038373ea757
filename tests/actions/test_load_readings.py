"""Readings made elsewhere: all of them or nothing, nothing twice, and nobody on their own case."""

from __future__ import annotations

from decimal import Decimal

import pytest
from sqlalchemy import func, select

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.domain.access import Role
from registry.domain.consensus import ConsensusState
from registry.domain.problems import BadInputError, ConflictError, NotAllowedError
from registry.store.models.readings import ConsensusRow, Reading
from registry.store.models.scans import Scan
from registry.store.models.trail import EventRow
from tests.build.loaded import LOG_ROWS, READING_ROWS, an_account, load_reading_rows, load_rows
from tests.build.tables import a_readings, a_table


@pytest.fixture
def logged(ledger):
    load_rows(ledger, *LOG_ROWS)
    return ledger


def counts(ledger):
    with ledger.reading() as session:
        return [
            session.execute(select(func.count()).select_from(model)).scalar()
            for model in (Scan, Reading, ConsensusRow, EventRow)
        ]


def states(ledger):
    with ledger.reading() as session:
        rows = session.execute(
            select(ConsensusRow.state, ConsensusRow.medial_mm, ConsensusRow.is_provisional)
        )
        return [(ConsensusState(row[0]), row[1], row[2]) for row in rows]


def test_scans_readings_and_consensus_are_written_with_their_events(logged):
    before = counts(logged)
    outcome = load_reading_rows(logged, *READING_ROWS)
    assert outcome.new == {"scans": 3, "readings": 5}
    assert outcome.new_persons == ["Rita Reader", "Lena Lead"]
    found = counts(logged)
    assert found[:3] == [3, 5, 4]
    assert found[3] - before[3] == 3 + 5 + 4 + 4
    assert check_ledger(logged, acting(logged, None)) == []


def test_the_same_file_again_changes_nothing_and_leaves_no_event(logged):
    load_reading_rows(logged, *READING_ROWS)
    before = counts(logged)
    outcome = load_reading_rows(logged, *reversed(READING_ROWS))
    assert (outcome.new, outcome.unchanged) == ({}, {"readings": 5})
    assert counts(logged) == before


def test_what_the_table_leaves_out_is_filled_in_as_documented(logged):
    load_reading_rows(logged, {"case_ref": "OP-2", "level": "L3"})
    with logged.reading() as session:
        scan = session.execute(select(Scan)).scalar_one()
        assert (scan.kind, scan.reason, scan.image_id) == ("post-operative CT", "not stated", None)
        reading = session.execute(select(Reading)).scalar_one()
        assert str(scan.scanned_on) == str(reading.read_on) == "2026-02-10"
        assert (reading.method, reading.role, reading.is_blind) == ("typed", "first", True)
        assert (reading.medial_mm, reading.anterior_mm) == (Decimal("0.0"), None)
        assert (reading.source_name, reading.source_row) == ("readings.csv", 2)


def test_a_second_reading_settles_the_consensus_anew(logged):
    first = {"case_ref": "OP-2", "level": "L3", "medial_mm": "2.4"}
    load_reading_rows(logged, first)
    assert states(logged) == [(ConsensusState.SINGLE, Decimal("2.4"), False)]
    second = {**first, "role": "second", "reader": "Lena Lead", "medial_mm": "5.0"}
    load_reading_rows(logged, second)
    assert states(logged) == [(ConsensusState.AWAITING_ADJUDICATION, Decimal("2.4"), True)]
    last = {**first, "role": "adjudication", "reader": "Ada Judge", "medial_mm": "3.1"}
    load_reading_rows(logged, last)
    assert states(logged) == [(ConsensusState.ADJUDICATED, Decimal("3.1"), False)]
    assert check_ledger(logged, acting(logged, None)) == []


@pytest.mark.parametrize(
    "name", ["Anna Berg", "Bodo Carl", "Cora Dietz", "Dora Ernst", "Emil Falk", "emil  FALK"]
)
def test_whoever_operated_or_assisted_is_refused(logged, name):
    before = counts(logged)
    with pytest.raises(BadInputError, match=r"row 2, column reader: .* nobody reads their own"):
        load_reading_rows(logged, {"case_ref": "OP-1", "reader": name})
    assert counts(logged) == before


OTHER_VALUES = {
    "reader": "Lena Lead",
    "read_on": "2026-02-11",
    "scan_reason": "symptoms",
    "medial_mm": "2.5",
    "lateral_mm": "0.1",
    "cranial_mm": "",
    "caudal_mm": "1",
    "anterior_mm": "3",
    "body_lateral_mm": "0",
    "endplate_mm": "0",
    "method": "calliper",
    "uncertainty_mm": "0.6",
    "convergence_deg": "-4.5",
    "sagittal_deg": "12",
}


@pytest.mark.parametrize("column", OTHER_VALUES)
def test_the_same_key_with_another_value_is_listed_and_not_applied(logged, column):
    known = {**READING_ROWS[0], "scan_on": "2026-02-10", "scan_reason": "routine"}
    load_reading_rows(logged, known)
    before = counts(logged)
    fresh = {"case_ref": "OP-3", "level": "S1"}
    with pytest.raises(ConflictError) as refused:
        load_reading_rows(logged, {**known, column: OTHER_VALUES[column]}, fresh)
    lines = refused.value.lines()
    assert any(f"row 2, column {column}:" in line for line in lines)
    # An extent that goes or comes takes its uncertainty with it.
    assert all(f"column {column}:" in line or "uncertainty_mm" in line for line in lines)
    assert counts(logged) == before


def test_a_table_without_angles_says_nothing_of_one_that_is_known(logged):
    load_reading_rows(logged, {**READING_ROWS[0], "convergence_deg": "12.5"})
    before = counts(logged)
    load_reading_rows(logged, READING_ROWS[0])
    assert counts(logged) == before


def test_nobody_reads_a_screw_twice(logged):
    row = {"case_ref": "OP-2", "level": "L3"}
    with pytest.raises(BadInputError, match="a second reading is another person's"):
        load_reading_rows(logged, row, {**row, "role": "second"})
    load_reading_rows(logged, row)
    with pytest.raises(ConflictError, match="has read this screw already"):
        load_reading_rows(logged, {**row, "role": "second"})


MISTAKES = [
    ({"case_ref": "OP-77"}, "column case_ref"),
    ({"level": "L1"}, "column level"),
    ({"side": "both"}, "column side"),
    ({"read_on": "yesterday"}, "column read_on"),
    ({"read_on": "2026-12-31"}, "column read_on"),
    ({"medial_mm": "-1"}, "column medial_mm"),
    ({"medial_mm": "61"}, "column medial_mm"),
    ({"medial_mm": "1.25"}, "column medial_mm"),
    ({"assessable": "no", "reason": ""}, "column reason"),
    ({"reader": "Bodo Carl"}, "column reader"),
    ({"reader": "Nobody Known"}, "column reader"),
    ({"method": "guessed"}, "column method"),
    ({"role": "third"}, "column role"),
    ({"scan_kind": "MR"}, "column scan_kind"),
]


def test_a_dozen_mistakes_are_all_named_and_nothing_is_changed(logged):
    load_reading_rows(logged, {"case_ref": "OP-3", "level": "S1"})
    before = counts(logged)
    usual = {"case_ref": "OP-2", "level": "L3", "read_on": "2026-03-01"}
    rows = [{**usual, "scan_on": f"2026-02-{10 + n}", **row} for n, (row, _) in enumerate(MISTAKES)]
    with pytest.raises(BadInputError) as refused:
        load_reading_rows(logged, *rows, new_persons=False)
    lines = refused.value.lines()
    for number, (_, column) in enumerate(MISTAKES, start=2):
        assert any(f"row {number}, {column}:" in line for line in lines), (number, lines)
    assert counts(logged) == before


def test_a_check_changes_nothing(logged):
    before = counts(logged)
    outcome = load_reading_rows(logged, *READING_ROWS, only_check=True)
    assert outcome.new == {"scans": 3, "readings": 5}
    assert counts(logged) == before


def test_a_scan_before_the_operation_is_noted_once(logged):
    row = {"case_ref": "OP-2", "level": "L3", "scan_on": "2026-02-01"}
    assert load_reading_rows(logged, row, {**row, "side": "R"}).warnings == [
        "case OP-2: scan of 2026-02-01 is before the operation of 2026-02-03"
    ]


@pytest.mark.parametrize("role", Role)
def test_only_the_lead_loads_readings(logged, role):
    viewer = an_account(logged, "someone", role)
    row = {"case_ref": "OP-2", "level": "L3"}
    if role is Role.QUALITY_LEAD:
        assert load_reading_rows(logged, row, viewer=viewer).new["readings"] == 1
    else:
        with pytest.raises(NotAllowedError):
            load_reading_rows(logged, row, viewer=viewer)


def test_a_german_spreadsheet_loads(logged, place):
    columns = ["case_ref", "level", "side", "reader", "read_on", "medial_mm", "lateral_mm",
               "cranial_mm", "caudal_mm"]  # fmt: skip
    row = ["OP-2", "L3", "links", "Jörg Müßig", "2026-02-10", "2,4", "0", "0,0", ""]
    row[2] = "left"
    path = place.home.parent / "Befunde.csv"
    path.write_bytes(a_table(columns, [row], separator=";", encoding="cp1252"))
    answer = place.command("load-readings", path, "--new-persons", "--encoding", "cp1252")
    assert (answer.status, answer.err) == (0, "")
    with logged.reading() as session:
        reading = session.execute(select(Reading)).scalar_one()
        assert (reading.medial_mm, reading.caudal_mm) == (Decimal("2.4"), None)


def test_five_hundred_and_more_screws_are_settled_at_once(logged):
    rows = [
        {"case_ref": f"X-{case}", "patient_ref": f"X{case}", "level": f"L{level}", "side": side}
        for case in range(60)
        for level in range(1, 6)
        for side in "LR"
    ]
    load_rows(logged, *rows)
    read = [{"case_ref": r["case_ref"], "level": r["level"], "side": r["side"]} for r in rows]
    assert load_reading_rows(logged, *read).new == {"scans": 60, "readings": 600}
    assert counts(logged)[2] == 600
    assert check_ledger(logged, acting(logged, None)) == []
    assert len(a_readings(*read).splitlines()) == 601
