"""A table of readings to rows, and every mistake in it named."""

from __future__ import annotations

import dataclasses
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from registry.domain.directions import Direction, Side
from registry.domain.levels import LEVELS
from registry.domain.readings import Method, NotAssessableReason, ReadingRole
from registry.domain.scans import ScanKind, ScanReason
from registry.intake.columns import READINGS
from registry.intake.parsed import Parsed, Place
from registry.intake.readings_table import ReadingRow, read_readings
from tests.build.tables import READING_CELLS, a_readings, a_table

TODAY = date(2026, 9, 30)
NO_WALLS = dict.fromkeys(("medial_mm", "lateral_mm", "cranial_mm", "caudal_mm"), "")
UNREAD: dict[str, object] = {**NO_WALLS, "assessable": "no", "reason": "artefact"}


def read(data: bytes, encoding: str | None = None) -> Parsed[ReadingRow]:
    return read_readings(data, "readings.csv", encoding, TODAY)


def lines(*rows: dict[str, object]) -> list[str]:
    return [fault.line() for fault in read(a_readings(*rows)).faults]


def test_a_row_reads_with_the_defaults_of_what_it_leaves_out() -> None:
    parsed = read(a_readings({"medial_mm": "2.1", "caudal_mm": ""}))
    assert parsed.faults == ()
    (row,) = parsed.rows
    assert (row.case_ref, row.level, row.side, row.number) == ("OP-1", "L4", Side.LEFT, 1)
    assert (row.scan_kind, row.scan_reason) == (ScanKind.POST_OPERATIVE_CT, ScanReason.NOT_STATED)
    assert (row.scan_on, row.scan_given) == (date(2026, 2, 10), False)
    assert (row.assessable, row.reason, row.method) == (True, None, Method.TYPED)
    assert (row.role, row.uncertainty_mm, row.row) == (ReadingRole.FIRST, None, 2)
    assert row.extents_mm == {
        Direction.MEDIAL: Decimal("2.1"),
        Direction.LATERAL: 0,
        Direction.CRANIAL: 0,
        Direction.CAUDAL: None,
        Direction.ANTERIOR: None,
        Direction.BODY_LATERAL: None,
        Direction.ENDPLATE: None,
    }
    assert dict(parsed.people) == {"Rita Reader": (Place(2, "reader"),)}


def test_angles_have_a_sign_and_whole_tenths_and_may_be_left_out() -> None:
    (row,) = read(a_readings({"convergence_deg": "-16.5", "sagittal_deg": "0"})).rows
    assert (row.convergence_deg, row.sagittal_deg) == (Decimal("-16.5"), Decimal(0))
    (row,) = read(a_readings({"convergence_deg": ""})).rows
    assert (row.convergence_deg, row.sagittal_deg) == (None, None)


def test_a_scan_s_day_is_kept_apart_from_the_day_read() -> None:
    (row,) = read(a_readings({"scan_on": "2026-02-05", "scan_kind": "Later_CT"})).rows
    assert (row.scan_on, row.scan_given) == (date(2026, 2, 5), True)
    assert row.scan_kind is ScanKind.LATER_CT


def test_a_screw_that_could_not_be_read_has_a_reason_and_no_extent() -> None:
    (row,) = read(a_readings(UNREAD)).rows
    assert (row.assessable, row.reason) == (False, NotAssessableReason.ARTEFACT)
    assert set(row.extents_mm.values()) == {None}


def test_a_partly_read_screw_is_taken() -> None:
    (row,) = read(a_readings({**NO_WALLS, "anterior_mm": "1.5"})).rows
    assert row.extents_mm[Direction.ANTERIOR] == Decimal("1.5")
    assert row.extents_mm[Direction.MEDIAL] is None


MISTAKES: dict[str, tuple[dict[str, object], list[str]]] = {
    "too large": ({"medial_mm": "60.1"}, ["column medial_mm: '60.1' is not an extent in mm"]),
    "too fine": ({"medial_mm": "2.15"}, ["column medial_mm: '2.15' is not an extent"]),
    "negative": ({"medial_mm": "-2"}, ["column medial_mm: '-2' is not an extent"]),
    "a word": ({"medial_mm": "contained"}, ["column medial_mm: 'contained'"]),
    "a grade": ({"caudal_mm": "B"}, ["column caudal_mm: 'B'"]),
    "decimal comma": ({"medial_mm": "2,1"}, ["column medial_mm: '2,1' has a decimal comma"]),
    "nothing measured": (NO_WALLS, ["row 2: no extent was measured"]),
    "unread, no reason": ({**UNREAD, "reason": ""}, ["column reason: no reason why"]),
    "unread, other reason": ({**UNREAD, "reason": "tired"}, ["column reason: 'tired'"]),
    "unread with numbers": (
        {
            **UNREAD,
            "medial_mm": "0",
            "endplate_mm": "1",
            "uncertainty_mm": "0.5",
            "convergence_deg": "12",
        },
        [
            "column convergence_deg: a number stands where",
            "column endplate_mm: a number stands where",
            "column medial_mm: a number stands where",
            "column uncertainty_mm: a number stands where",
        ],
    ),
    "angle too fine": (
        {"convergence_deg": "4.55"},
        ["column convergence_deg: '4.55' is not an an"],
    ),
    "angle too large": ({"sagittal_deg": "90.1"}, ["column sagittal_deg: '90.1' is not an angle"]),
    "angle with unit": ({"sagittal_deg": "-5°"}, ["column sagittal_deg: '-5°' is not an angle"]),
    "read with reason": ({"reason": "artefact"}, ["column reason: a reason stands where"]),
    "read tomorrow": ({"read_on": "2026-10-01"}, ["column read_on: 2026-10-01 lies after today"]),
    "scanned tomorrow": (
        {"scan_on": "2026-10-01"},
        ["column scan_on: 2026-10-01 lies after today"],
    ),
    "read before scan": ({"scan_on": "2026-02-11"}, ["column scan_on: the scan of 2026-02-11 was"]),
    "role": ({"role": "third"}, ["column role: 'third' is not a role"]),
    "method": ({"method": "guess"}, ["column method: 'guess' is not a method"]),
    "scan kind": ({"scan_kind": "MR"}, ["column scan_kind: 'MR' is not a kind of scan"]),
    "scan reason": ({"scan_reason": "?"}, ["column scan_reason: '?' is not a reason"]),
    "reader empty": ({"reader": ""}, ["column reader: the cell is empty"]),
    "case empty": ({"case_ref": ""}, ["column case_ref: the cell is empty"]),
    "yes or no": ({"assessable": "ja"}, ["column assessable: 'ja' is not a yes or no"]),
}


@pytest.mark.parametrize(("row", "starts"), MISTAKES.values(), ids=MISTAKES.keys())
def test_each_mistake_is_named_with_its_cell(row: dict[str, object], starts: list[str]) -> None:
    found = lines(row)
    assert len(found) == len(starts)
    for line, start in zip(found, starts, strict=True):
        assert line.startswith("readings.csv, row 2")
        assert start in line
        assert "; " in line, "says how to mend it"
    assert read(a_readings(row)).rows == ()


def test_all_the_mistakes_of_a_table_are_named_together() -> None:
    rows = [{"case_ref": f"OP-{at}", **row} for at, (row, _) in enumerate(MISTAKES.values())]
    found = lines(*rows)
    assert len(found) == sum(len(starts) for _, starts in MISTAKES.values())


def test_the_same_reading_twice_names_both_rows() -> None:
    first, second = lines(
        {"scan_on": "2026-02-10"},
        {"side": "R"},
        {"reader": "RITA  reader"},
        {"medial_mm": "3.0"},
    )
    assert "row 4: the first reading of L4 L number 1 of case 'OP-1' by 'RITA reader'" in first
    assert "stands in row 2 already" in first
    assert "row 5: the first reading" in second


def test_another_scan_role_reader_or_number_is_another_reading() -> None:
    others: list[dict[str, object]] = [
        {"scan_on": "2026-02-09"},
        {"scan_kind": "later CT"},
        {"role": "second"},
        {"reader": "Bo Dahl"},
        {"number": 2},
    ]
    assert lines({}, *others) == []


def test_readings_from_a_german_spreadsheet_read() -> None:
    data = a_readings(
        {"reader": "Jörg Groß", "medial_mm": "2,1", "lateral_mm": "0,0", "level": "LWK4"},
        {"reader": "Jörg Groß", "medial_mm": "2,1", "uncertainty_mm": "0,6"},
        separator=";",
        encoding="cp1252",
    )
    parsed = read(data, "cp1252")
    assert [fault.line().split(";")[0] for fault in parsed.faults] == [
        "readings.csv, row 2, column level: 'LWK4' is not a level"
    ]
    (row,) = parsed.rows
    assert (row.reader, row.uncertainty_mm) == ("Jörg Groß", Decimal("0.6"))
    assert row.extents_mm[Direction.MEDIAL] == Decimal("2.1")


def test_a_missing_wall_column_is_named_once_and_not_row_by_row() -> None:
    names = [name for name in READING_CELLS if name != "caudal_mm"]
    rows = [[READING_CELLS[name] for name in names]] * 2
    parsed = read(a_table(names, rows))
    assert "the column caudal_mm is missing" in parsed.faults[0].what
    assert parsed.rows == ()
    assert [fault.where for fault in parsed.faults] == [
        "readings.csv, row 1",
        "readings.csv, row 3",
    ]


def test_every_column_has_its_field_and_every_field_its_column() -> None:
    fields = {field.name for field in dataclasses.fields(ReadingRow)}
    extents = {f"{direction}_mm" for direction in Direction}
    columns = {column.name for column in READINGS}
    assert fields - {"scan_given", "extents_mm", "row"} == columns - extents
    assert extents <= columns


# A round trip: what Python's csv module writes of generated records comes back equal.
NAME = st.text(st.sampled_from("abcÄß'-., \""), min_size=1, max_size=12).map(
    lambda text: " ".join(("x" + text).split())
)
MEASURED = st.integers(0, 600).map(lambda whole: Decimal(whole).scaleb(-1))
EXTENT = st.none() | MEASURED
ANGLE = st.none() | st.integers(-900, 900).map(lambda whole: Decimal(whole).scaleb(-1))
ROWS = st.lists(
    st.builds(
        ReadingRow,
        case_ref=NAME,
        level=st.sampled_from([level.code for level in LEVELS]),
        side=st.sampled_from(Side),
        number=st.integers(1, 9),
        reader=NAME,
        read_on=st.dates(date(2020, 1, 1), TODAY),
        scan_on=st.dates(date(2010, 1, 1), date(2020, 1, 1)),
        scan_given=st.just(True),
        scan_kind=st.sampled_from(ScanKind),
        scan_reason=st.sampled_from(ScanReason),
        extents_mm=st.fixed_dictionaries(
            {
                **dict.fromkeys(Direction, EXTENT),
                Direction.MEDIAL: MEASURED,
            }
        ),
        assessable=st.just(True),
        reason=st.none(),
        method=st.sampled_from(Method),
        uncertainty_mm=EXTENT,
        convergence_deg=ANGLE,
        sagittal_deg=ANGLE,
        role=st.sampled_from(ReadingRole),
        row=st.just(0),
    ),
    min_size=1,
    max_size=4,
    unique_by=lambda row: (row.case_ref, row.level, row.side, row.number),
)


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(rows=ROWS, separator=st.sampled_from([",", ";", "\t"]))
def test_what_was_written_comes_back(rows: list[ReadingRow], separator: str) -> None:
    written = [dataclasses.replace(row, row=at) for at, row in enumerate(rows, start=2)]
    names = [column.name for column in READINGS]

    def cell(row: ReadingRow, name: str) -> str:
        if name == "assessable":
            return "yes"
        stem = name.removesuffix("_mm")
        is_extent = stem in set(Direction)
        value = row.extents_mm[Direction(stem)] if is_extent else getattr(row, name)
        text = "" if value is None else str(value)
        is_comma = isinstance(value, Decimal) and separator != ","
        return text.replace(".", ",") if is_comma else text

    data = a_table(names, [[cell(row, n) for n in names] for row in written], separator=separator)
    parsed = read(data)
    assert parsed.faults == ()
    assert list(parsed.rows) == written


@settings(deadline=None, max_examples=150)
@given(name=st.sampled_from([column.name for column in READINGS]), text=st.text(max_size=70))
def test_any_text_in_any_cell_is_read_or_named(name: str, text: str) -> None:
    parsed = read(a_readings({name: text}))
    assert parsed.rows or parsed.faults


@settings(deadline=None, max_examples=100)
@given(
    data=st.binary(max_size=120),
    name=st.text(max_size=10),
    encoding=st.none() | st.text(max_size=8),
)
def test_random_bytes_give_faults_and_raise_nothing(
    data: bytes, name: str, encoding: str | None
) -> None:
    parsed = read_readings(data, name, encoding, TODAY)
    assert parsed.faults
    assert parsed.rows == ()
