"""A theatre log to cases and screws, and every mistake in it named."""

from __future__ import annotations

import dataclasses
from datetime import date
from decimal import Decimal

import pytest

from registry.domain.directions import Side
from registry.domain.techniques import (
    EntryTechnique,
    Guidance,
    Life,
)
from registry.intake.columns import THEATRE_LOG, GoesTo
from registry.intake.parsed import Parsed, Place
from registry.intake.theatre_log import LogCase, LogScrew, read_theatre_log
from tests.build.tables import LOG_CELLS, a_log, a_table

TODAY = date(2026, 9, 30)


def read(data: bytes, encoding: str | None = None) -> Parsed[LogCase]:
    return read_theatre_log(data, "log.csv", encoding, TODAY)


def lines(data: bytes, encoding: str | None = None) -> list[str]:
    return [fault.line() for fault in read(data, encoding).faults]


def test_one_row_is_one_case_with_one_screw() -> None:
    parsed = read(a_log())
    assert parsed.faults == ()
    assert (parsed.row_count, parsed.separator, parsed.encoding) == (1, ",", "utf-8")
    (case,) = parsed.rows
    assert (case.case_ref, case.patient_ref, case.surgeon) == ("OP-1", "H100", "Anna Berg")
    assert (case.operated_on, case.assistants, case.revision) == (date(2026, 2, 3), (), None)
    (screw,) = case.screws
    assert (screw.level, screw.side, screw.number, screw.row) == ("L4", Side.LEFT, 1, 2)
    assert screw.entry_technique is EntryTechnique.LATERAL_INTERSECTION
    assert (screw.guidance, screw.life) == (Guidance.FREEHAND, Life.PLACED)


def test_rows_of_one_case_become_its_screws_wherever_they_stand() -> None:
    parsed = read(
        a_log(
            {}, {"case_ref": "OP-2", "patient_ref": "H2"}, {"side": "R"}, {"side": "R", "number": 2}
        )
    )
    assert parsed.faults == ()
    assert [(case.case_ref, case.rows) for case in parsed.rows] == [
        ("OP-1", (2, 4, 5)),
        ("OP-2", (3,)),
    ]
    assert [(screw.side, screw.number) for screw in parsed.rows[0].screws] == [
        ("L", 1),
        ("R", 1),
        ("R", 2),
    ]


MISTAKES: list[tuple[dict[str, object], str]] = [
    ({}, ""),
    ({"level": "L9"}, "row 3, column level: 'L9' is not a level"),
    ({"level": "L3", "side": "links"}, "row 4, column side: 'links' is not a side"),
    ({"level": "L3", "guidance": "stars"}, "row 5, column guidance: 'stars' is not a guidance"),
    ({"level": "L2", "entry_technique": "other"}, "row 6, column entry_technique: 'other'"),
    ({"level": "L1", "diameter_mm": "6.55"}, "row 7, column diameter_mm: '6.55'"),
    ({"case_ref": "OP-7", "operated_on": "03.02.2026"}, "row 8, column operated_on: '03.02.2026'"),
    (
        {"case_ref": "OP-8", "operated_on": "2026-10-01"},
        "row 9, column operated_on: 2026-10-01 lies",
    ),
    ({"case_ref": "OP-9", "surgeon": " "}, "row 10, column surgeon: the cell is empty"),
    ({"level": "T12", "surgeon": "Bo Dahl"}, "row 11, column surgeon: 'Bo Dahl' where row 2"),
    ({}, "row 12: screw L4 L number 1 of case 'OP-1' stands in row 2 already"),
    ({"case_ref": "OP-12", "birth_date": "2026-02-04"}, "row 13, column birth_date: (value not "),
    ({"level": "T11", "revision": "ja"}, "row 14, column revision: 'ja' is not a yes or no"),
    ({"level": "T10", "length_mm": "450"}, "row 15, column length_mm: '450' is not a length"),
    ({"level": "T9", "life": "gone"}, "row 16, column life: 'gone' is not a screw's life"),
]


def test_a_log_with_a_dozen_different_mistakes_names_every_one_in_order_of_the_rows() -> None:
    found = lines(a_log(*(cells for cells, _ in MISTAKES)))
    expected = [start for _, start in MISTAKES if start]
    assert len(found) == len(expected)
    for line, start in zip(found, expected, strict=True):
        assert line.startswith(f"log.csv, {start}")
        assert "; " in line, "says how to mend it"


def test_the_corrected_log_reads() -> None:
    levels = ["L4", "L3", "L2", "L1", "T12", "T11"]
    parsed = read(a_log(*({"level": level, "diameter_mm": "6.5"} for level in levels)))
    assert parsed.faults == ()
    assert [screw.level for screw in parsed.rows[0].screws] == levels


def test_several_mistakes_of_one_row_are_all_named() -> None:
    found = lines(a_log({"level": "X", "side": "X", "guidance": "X", "operated_on": "X"}))
    assert [line.split(":")[0].split("column ")[1] for line in found] == [
        "operated_on",
        "level",
        "side",
        "guidance",
    ]


def test_a_log_from_a_german_spreadsheet_reads() -> None:
    data = a_log(
        {"surgeon": "Jürgen Weiß", "diameter_mm": "6,5", "length_mm": "45", "cobb_deg": "12,0"},
        {"surgeon": "Jürgen Weiß", "diameter_mm": "5.5", "level": "Th12", "side": "R"},
        separator=";",
        encoding="cp1252",
    )
    parsed = read(data, "cp1252")
    assert parsed.faults == ()
    assert (parsed.separator, parsed.encoding) == (";", "cp1252")
    (case,) = parsed.rows
    assert (case.surgeon, case.cobb_deg) == ("Jürgen Weiß", Decimal("12.0"))
    assert [(screw.level, screw.diameter_mm) for screw in case.screws] == [
        ("L4", Decimal("6.5")),
        ("T12", Decimal("5.5")),
    ]


def test_a_german_spreadsheet_without_its_encoding_is_told_which_option_helps() -> None:
    (line,) = lines(a_log({"surgeon": "Jürgen Weiß"}, separator=";", encoding="cp1252"))
    assert "line 2 holds a byte (0xFC)" in line
    assert "--encoding" in line


def test_a_decimal_comma_is_refused_where_commas_separate() -> None:
    (line,) = lines(a_log({"diameter_mm": "6,5"}))
    assert "row 2, column diameter_mm: '6,5' has a decimal comma" in line
    (line,) = lines(a_log({"diameter_mm": "6.5"}).replace(b"6.5", b"6,5"))
    assert "row 2: 10 cells where the header has 9" in line
    assert "decimal comma" in line


def test_a_mark_between_thousands_is_refused() -> None:
    (line,) = lines(a_log({"length_mm": "1.045,0"}, separator=";"))
    assert "no mark between thousands" in line


def test_a_tab_separated_log_reads() -> None:
    parsed = read(a_log({"indication": "a, b; c", "diameter_mm": "6,5"}, separator="\t"))
    assert parsed.faults == ()
    assert parsed.rows[0].indication == "a, b; c"
    assert parsed.rows[0].screws[0].diameter_mm == Decimal("6.5")


def test_a_line_break_inside_quotes_is_read_as_a_space_and_starts_no_row() -> None:
    parsed = read(a_log({"indication": 'a "stiff"\r\nback'}, {"side": "R"}))
    assert parsed.rows[0].indication == 'a "stiff" back'
    assert parsed.rows[0].rows == (2, 3)


def test_header_names_are_trimmed_and_any_case_and_columns_in_any_order() -> None:
    names = [f" {name.upper()} " for name in reversed(LOG_CELLS)]
    parsed = read(a_table(names, [list(reversed(LOG_CELLS.values()))]))
    assert parsed.faults == ()
    assert parsed.rows == read(a_log()).rows


def test_an_unknown_column_is_named_with_its_nearest() -> None:
    first, second = lines(
        a_table(
            ["entry technique" if name == "entry_technique" else name for name in LOG_CELLS],
            [LOG_CELLS.values()],
        )
    )
    assert (
        "row 1: there is no column called 'entry technique'; did you mean entry_technique?" in first
    )
    assert "row 1: the column entry_technique is missing" in second


def test_an_unknown_column_like_no_other_is_named_without_a_guess() -> None:
    (line,) = lines(a_log({"theatre": "4"}))
    assert "row 1: there is no column called 'theatre'; take it out, or spell it" in line


def test_missing_and_repeated_columns_are_all_named() -> None:
    found = lines(b"case_ref,level,Level,side\nOP-1,L4,L4,L\n")
    assert "column level: the column stands 2 times" in found[0]
    missing = ["patient_ref", "operated_on", "surgeon", "entry_technique", "guidance"]
    assert [line.split("the column ")[1].split(" is missing")[0] for line in found[1:]] == missing


def test_a_column_without_name_is_ignored_while_it_is_empty() -> None:
    assert (
        lines(a_log().replace(b"guidance\r\n", b"guidance,,\r\n").replace(b"hand", b"hand,,")) == []
    )
    (line,) = lines(a_log().replace(b"guidance", b"guidance,").replace(b"hand", b"hand,x"))
    assert "row 2: cell 9 is filled, its column has no name" in line


def test_rows_with_too_many_or_too_few_cells_are_named() -> None:
    first, second = lines(a_log() + b"a,b,c\r\n" + b"x" + b"," * 8 + b"\r\n")
    assert "row 3: 3 cells where the header has 8" in first
    assert "row 4: 9 cells where the header has 8" in second


@pytest.mark.parametrize("data", [b"", b"\r\n\r\n", b"\xef\xbb\xbf", b" , ,\n"])
def test_an_empty_file_is_told(data: bytes) -> None:
    (line,) = lines(data)
    assert line.startswith("log.csv: the table is empty; its first row names: case_ref")


def test_a_file_with_a_header_only_is_told() -> None:
    (line,) = lines(a_log(header_only=True))
    assert "there is no row under the header" in line


def test_a_table_without_header_is_told_without_showing_its_first_row() -> None:
    found = lines(a_log({"patient_ref": "H4711"}).split(b"\r\n", 1)[1])
    assert len(found) == 1
    assert "the first row holds no known column name" in found[0]
    assert "H4711" not in found[0]


def test_identity_is_never_shown_in_a_fault() -> None:
    data = a_log(
        {"patient_ref": "H4711\x1b", "birth_date": "17.11.1947"},
        {"patient_ref": "H4712", "birth_date": "1948-11-17", "side": "R"},
        {"patient_ref": "H4713", "birth_date": "1949-11-17", "level": "L5"},
        {"case_ref": "OP-2", "patient_ref": "H4712", "birth_date": "1950-11-17"},
        {"case_ref": "OP-3", "patient_ref": "H" * 65, "birth_date": "2999-11-17"},
    )
    found = lines(data)
    assert len(found) == 7
    assert all("(value not shown)" in line for line in found)
    assert not any(secret in line for line in found for secret in ("471", "11-17", "1947", "HHH"))


def test_a_long_or_odd_value_is_shown_short_and_plain() -> None:
    (line,) = lines(a_log({"level": "\x1b[31m" + "x" * 100}))
    assert "'?[31m" + "x" * 32 + "...' is not a level" in line


def test_an_operation_today_and_on_the_day_of_birth_is_taken() -> None:
    assert lines(a_log({"operated_on": TODAY, "birth_date": TODAY})) == []


def test_each_disagreement_of_a_case_names_both_rows() -> None:
    data = a_log(
        {"indication": "stenosis", "assistants": "A | B", "revision": "no"},
        {"side": "R", "indication": "tumour", "assistants": "B | A", "revision": "yes"},
        {"level": "L5", "surgeon": "Anna  Berg", "operated_on": "2026-02-04"},
    )
    found = [line.replace(" of the same case", "").partition("; ")[0] for line in lines(data)]
    assert found == [
        "log.csv, row 3, column assistants: 'B | A' where row 2 has 'A | B'",
        "log.csv, row 3, column indication: 'tumour' where row 2 has 'stenosis'",
        "log.csv, row 3, column revision: 'yes' where row 2 has 'no'",
        "log.csv, row 4, column operated_on: '2026-02-04' where row 2 has '2026-02-03'",
    ]


def test_an_empty_cell_says_nothing_against_another_row_of_the_case() -> None:
    parsed = read(a_log({}, {"side": "R", "indication": "stenosis", "bmi": "27.5"}))
    assert parsed.faults == ()
    assert (parsed.rows[0].indication, parsed.rows[0].bmi) == ("stenosis", Decimal("27.5"))


def test_people_are_listed_with_their_cells_even_from_a_faulty_row() -> None:
    parsed = read(a_log({"level": "X", "assistants": "C | D", "operator": "Anna Berg"}))
    assert dict(parsed.people) == {
        "Anna Berg": (Place(2, "surgeon"), Place(2, "operator")),
        "C": (Place(2, "assistants"),),
        "D": (Place(2, "assistants"),),
    }
    fault = parsed.fault_at(parsed.people["D"][0], "'D' is no known person", "add them")
    assert fault.line() == "log.csv, row 2, column assistants: 'D' is no known person; add them"


def test_every_column_has_its_field_and_every_field_its_column() -> None:
    for record, goes_to, own in (
        (LogCase, GoesTo.CASE, {"screws", "rows"}),
        (LogScrew, GoesTo.SCREW, {"technique_words", "row"}),
    ):
        fields = {field.name for field in dataclasses.fields(record)} - own
        assert fields == {column.name for column in THEATRE_LOG if column.goes_to is goes_to}
