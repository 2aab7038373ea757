"""Tables from XLSX: the same rows give the same records as CSV; everything else is told."""

from __future__ import annotations

import functools
import io
import random
import struct
import zipfile
from datetime import date, datetime
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from registry.intake.readings_table import read_readings
from registry.intake.theatre_log import read_theatre_log
from registry.intake.workbook_parts import LARGEST_UNPACKED, MOST_ROWS
from tests.build.tables import LOG_CELLS, READING_CELLS, a_log, a_readings
from tests.build.workbooks import SHEET, a_workbook, as_text_cells, saved, with_part
from tests.published.date_systems import DAY, DAYS_APART, SERIAL_1900, SERIAL_1904

TODAY = date(2026, 9, 30)
HEADER = [*LOG_CELLS, "diameter_mm", "birth_date"]
ROW = [*LOG_CELLS.values(), 6.5, None]


def read(data):
    return read_theatre_log(data, "log.xlsx", None, TODAY)


def faults_of(data):
    return [fault.line() for fault in read(data).faults]


def with_cell(name, value, number_format=None):
    def change(sheet):
        sheet[name] = value
        if number_format is not None:
            sheet[name].number_format = number_format

    return a_workbook([HEADER, ROW], change)


def one_case(data):
    parsed = read(data)
    assert parsed.faults == ()
    (case,) = parsed.rows
    return case


def test_a_workbook_gives_the_cases_of_its_rows():
    case = one_case(a_workbook([HEADER, ROW, [*ROW[:5], "R", *ROW[6:]]]))
    assert case.case_ref == "OP-1"
    assert case.operated_on == date(2026, 2, 3)
    assert [(screw.side, screw.diameter_mm, screw.row) for screw in case.screws] == [
        ("L", Decimal("6.5"), 2),
        ("R", Decimal("6.5"), 3),
    ]


CELLS = st.text(st.sampled_from("abcÄß'-., 0123456789=+@"), max_size=8)


@settings(max_examples=40, deadline=None)
@given(
    rows=st.lists(
        st.fixed_dictionaries(
            {},
            optional={
                "case_ref": CELLS,
                "operated_on": st.sampled_from(["2026-02-03", "3.2.2026", "2027-01-01", ""]),
                "surgeon": CELLS,
                "level": st.sampled_from(["L4", "Th12", "X9"]),
                "number": st.sampled_from(["1", "2", "0", "1.0"]),
                "diameter_mm": st.sampled_from(["6.5", "6,5", ".5", "7", "7.25", "-1"]),
                "revision": st.sampled_from(["yes", "no", "1", "maybe"]),
            },
        ),
        min_size=1,
        max_size=4,
    )
)
def test_the_same_rows_give_the_same_as_their_csv(rows):
    # Semicolons, because in a workbook too a comma can only be a decimal comma.
    as_csv = read_theatre_log(a_log(*rows, separator=";"), "log", None, TODAY)
    as_xlsx = read_theatre_log(as_text_cells(a_log(*rows)), "log", None, TODAY)
    assert as_xlsx.rows == as_csv.rows
    assert as_xlsx.faults == as_csv.faults
    assert as_xlsx.row_count == as_csv.row_count
    assert as_xlsx.people == as_csv.people


@settings(max_examples=40, deadline=None)
@given(
    tenths=st.lists(st.integers(0, 600), min_size=4, max_size=4),
    day=st.dates(date(2001, 1, 1), TODAY),
)
def test_numbers_and_dates_are_read_as_their_texts_are(tenths, day):
    walls = ["medial_mm", "lateral_mm", "cranial_mm", "caudal_mm"]
    texts = {wall: f"{tenth / 10:.1f}" for wall, tenth in zip(walls, tenths, strict=True)}
    as_csv = read_readings(a_readings({**texts, "read_on": day}), "t", None, TODAY)
    typed = {**READING_CELLS, "read_on": day}
    typed |= {wall: tenth / 10 for wall, tenth in zip(walls, tenths, strict=True)}
    as_xlsx = read_readings(a_workbook([[*typed], [*typed.values()]]), "t", None, TODAY)
    assert as_csv.faults == as_xlsx.faults == ()
    assert as_xlsx.rows == as_csv.rows


def test_readings_come_from_a_workbook_too():
    rows = [[*READING_CELLS], [*READING_CELLS.values()]]
    assert len(read_readings(a_workbook(rows), "r.xlsx", None, TODAY).rows) == 1


@pytest.mark.parametrize(
    ("value", "number_format", "diameter"),
    [
        (6.5, None, "6.5"),
        ("6.5", None, "6.5"),
        (6, None, "6"),
        (6.0, None, "6"),
        (0.1 + 0.2, None, "0.3"),
        (2.1 + 4.4, "0.0", "6.5"),
        (6.5, "#,##0.00", "6.5"),
        (6.5, "0.0_ ;[Red]\\-0.0\\ ", "6.5"),
        (6.5, "@", "6.5"),
    ],
    ids=str,
)
def test_a_number_is_read_without_what_a_float_adds(value, number_format, diameter):
    case = one_case(with_cell("I2", value, number_format))
    assert case.screws[0].diameter_mm == Decimal(diameter)


def test_a_case_reference_typed_as_a_number_is_that_text():
    assert one_case(with_cell("A2", 3)).case_ref == "3"
    assert one_case(with_cell("A2", "3")).case_ref == "3"


def test_a_hundredth_is_no_tenth_in_a_workbook_either():
    assert "diameter_mm" in faults_of(with_cell("I2", 6.25))[0]


REFUSED_CELLS = {
    "formula": ("B2", "=1+1", None, "cell B2 holds a formula; save values"),
    "formula in a number": ("I2", "=6+0.5", None, "cell I2 holds a formula"),
    "formula beside the table": ("L2", "=NOW()", None, "cell L2 holds a formula"),
    "error": ("I2", "#N/A", None, "cell I2 holds an error"),
    "padded with zeros": ("B2", 123, "00000", "cell B2 shows a number in a format of its own"),
    "percent": ("I2", 0.5, "0%", "cell I2 shows a number in a format of its own"),
    "fraction": ("I2", 6.5, "# ?/?", "cell I2 shows a number in a format of its own"),
    "digits lost": ("B2", 1234567890123456, None, "more than 15 digits"),
    "digits lost in a float": ("B2", 1.2345678901234567e22, None, "more than 15 digits"),
    "tiny": ("I2", 1e-9, None, "too large or too small"),
    "day with a time": ("C2", datetime(2026, 2, 3, 9, 30), None, "cell C2 holds a day with a time"),  # noqa: DTZ001 - a spreadsheet knows no zone
    "time": ("C2", datetime(2026, 2, 3, 9, 30).time(), None, "cell C2 holds a time"),  # noqa: DTZ001 - same
    "date made of a reference": ("A2", date(2026, 3, 4), None, "the cell holds a date"),
    "before March 1900": ("J2", 60, "yyyy-mm-dd", "cell J2 holds a day before March 1900"),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED_CELLS)
def test_a_cell_that_says_nothing_safely_is_named(name):
    cell, value, number_format, words = REFUSED_CELLS[name]
    found = [
        line for line in faults_of(with_cell(cell, value, number_format)) if "no name" not in line
    ]
    assert len(found) == 1
    assert words in found[0]
    assert found[0].startswith("log.xlsx, row 2")


def test_what_a_refused_cell_holds_is_not_shown():
    (line,) = faults_of(with_cell("B2", '="4711-secret"'))
    assert "secret" not in line


def test_dates_come_as_dates_in_both_systems():
    for epoch, serial in ((None, SERIAL_1900), (CALENDAR_MAC_1904, SERIAL_1904)):
        book = Workbook()
        if epoch is not None:
            book.epoch = epoch
        for row in (HEADER, [*ROW[:2], serial, *ROW[3:]]):
            book.active.append(row)
        book.active["C2"].number_format = "dd/mm/yyyy"
        assert one_case(saved(book)).operated_on == DAY
    assert SERIAL_1900 - SERIAL_1904 == DAYS_APART


def test_a_day_typed_as_text_stays_text():
    assert one_case(with_cell("C2", "2026-02-03")).operated_on == date(2026, 2, 3)
    assert "operated_on" in faults_of(with_cell("C2", "3.2.2026"))[0]


def test_a_date_is_written_as_the_standard_has_it_too():
    book = Workbook()
    book.iso_dates = True
    for row in (HEADER, [*ROW[:2], date(2026, 2, 3), *ROW[3:]]):
        book.active.append(row)
    data = saved(book)
    assert b't="d"' in zipfile.ZipFile(io.BytesIO(data)).read(SHEET)
    assert one_case(data).operated_on == date(2026, 2, 3)


def test_only_the_first_sheet_is_read():
    book = Workbook()
    for row in (HEADER, ROW):
        book.active.append(row)
    book.create_sheet("other").append(["=1+1", "not a log"])
    data = with_part(
        saved(book), "xl/workbook.xml", lambda xml: xml.replace(b'"Sheet"', b'"../../Sheet"')
    )
    assert b"../../Sheet" in zipfile.ZipFile(io.BytesIO(data)).read("xl/workbook.xml")
    assert one_case(data).case_ref == "OP-1"


def test_hidden_rows_are_read_and_it_is_said():
    def hide(sheet):
        sheet.row_dimensions[3].hidden = True

    parsed = read(a_workbook([HEADER, ROW, [*ROW[:5], "R", *ROW[6:]]], hide))
    assert len(parsed.rows[0].screws) == 2
    assert parsed.notes == ("1 hidden row was read as well",)


def test_blank_rows_are_left_out_and_rows_keep_their_numbers():
    parsed = read(a_workbook([[], HEADER, [], ROW]))
    assert parsed.rows[0].rows == (4,)
    assert parsed.row_count == 1


def test_an_escaped_mark_comes_back_as_itself():
    def change(sheet):
        sheet["I1"], sheet["I2"] = "udi", "(01)0401_x001D_17"

    (screw,) = one_case(a_workbook([HEADER[:8], ROW[:8]], change)).screws
    assert screw.udi == "(01)0401\x1d17"


@functools.cache
def bomb():
    """Return a workbook of some kilobytes whose sheet unpacks to more than 10,000 times as much."""
    target = io.BytesIO(a_workbook([HEADER, ROW]))
    with zipfile.ZipFile(target, "a", zipfile.ZIP_BZIP2) as archive:
        archive.writestr("xl/media/padding.xml", bytes(LARGEST_UNPACKED + 1))
    return target.getvalue()


def hidden_first():
    book = Workbook()
    book.active.sheet_state = "hidden"
    book.create_sheet("shown").append(HEADER)
    book.active = 1
    return saved(book)


def lying_about_its_size():
    """Return a workbook whose sheet says that it is small and is not."""
    data = bytearray(with_part(a_workbook([HEADER, ROW]), SHEET, lambda xml: xml + b" " * 50_000))
    for signature, at in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):
        start = -1
        while (start := data.find(signature, start + 1)) >= 0:
            size = struct.unpack_from("<I", data, start + at)[0]
            if size > 50_000:
                struct.pack_into("<I", data, start + at, 40)
    return bytes(data)


def zip_of(*names):
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive:
        for name in names:
            archive.writestr(name, "application/vnd.oasis.opendocument.spreadsheet")
    return target.getvalue()


BOOK = a_workbook([HEADER, ROW])
LAUGHS = b"<!DOCTYPE a [<!ENTITY b 'ha'><!ENTITY c '&b;&b;&b;'>]>"


def with_declaration(xml):
    return xml.replace(b"<worksheet", LAUGHS + b"<worksheet", 1)


REFUSED_BOOKS = {
    "ten thousand fold": (bomb, "would unpack to more than 100 MB"),
    "lies about its size": (lying_about_its_size, "damaged"),
    "entities": (lambda: with_part(BOOK, SHEET, with_declaration), "declares a document type"),
    "entities in UTF-16": (
        lambda: with_part(BOOK, "xl/theme/theme1.xml", lambda _: LAUGHS.decode().encode("utf-16")),
        "declares a document type",
    ),
    "merged": (
        lambda: a_workbook([HEADER, ROW, ROW], lambda sheet: sheet.merge_cells("A2:A3")),
        "cells are merged in the first sheet: A2:A3; unmerge them",
    ),
    "hidden sheet": (hidden_first, "the first sheet of this workbook is hidden"),
    "far below": (lambda: with_cell(f"A{MOST_ROWS + 1}", 1), f"beyond row {MOST_ROWS}"),
    "far to the right": (lambda: with_cell("XFD2", 1), "beyond column 200"),
    "old binary form": (lambda: b"\xd0\xcf\x11\xe0" + bytes(600), "old binary form (XLS)"),
    "locked": (
        lambda: b"\xd0\xcf\x11\xe0" + bytes(600) + "EncryptedPackage".encode("utf-16-le"),
        "locked with a password",
    ),
    "newer binary form": (lambda: zip_of("[Content_Types].xml", "xl/workbook.bin"), "XLSB"),
    "OpenDocument": (lambda: zip_of("mimetype", "content.xml"), "OpenDocument"),
    "a zip of CSV": (lambda: zip_of("log.csv"), "holds no workbook"),
    "strict": (
        lambda: with_part(
            BOOK,
            "xl/workbook.xml",
            lambda xml: xml.replace(
                b"http://schemas.openxmlformats.org/spreadsheetml/2006/main",
                b"http://purl.oclc.org/ooxml/spreadsheetml/main",
            ),
        ),
        "Strict Open XML",
    ),
    "cut off": (lambda: BOOK[:-40], "damaged"),
    "sheet cut off": (lambda: with_part(BOOK, SHEET, lambda xml: xml[:-30]), "damaged"),
    "no sheet": (lambda: with_part(BOOK, "xl/workbook.xml", lambda _: b"<a/>"), "workbook"),
    "empty": (lambda: a_workbook([]), "the table is empty"),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED_BOOKS)
def test_a_workbook_that_cannot_be_read_is_told_in_one_line(name):
    make, words = REFUSED_BOOKS[name]
    parsed = read(make())
    assert parsed.rows == ()
    (fault,) = parsed.faults
    assert words in fault.line()
    assert fault.mend


def test_a_bomb_is_ten_thousand_fold_and_never_unpacked(monkeypatch):
    data = bomb()
    assert len(data) * 10_000 < LARGEST_UNPACKED

    class NeverError(Exception):
        pass

    def never(*_args, **_more):
        raise NeverError

    monkeypatch.setattr(zipfile.ZipFile, "open", never)
    assert "would unpack" in read(data).faults[0].line()
    with pytest.raises(NeverError):
        read(BOOK)


def test_a_workbook_with_macros_is_read_as_data_and_nothing_runs():
    content = (
        b"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml",
        b"application/vnd.ms-excel.sheet.macroEnabled.main+xml",
    )
    data = with_part(BOOK, "[Content_Types].xml", lambda xml: xml.replace(*content))
    data = with_part(data, "xl/vbaProject.bin", lambda _: b"\xd0\xcf\x11\xe0 Sub Auto_Open()")
    assert one_case(data).case_ref == "OP-1"


def test_a_workbook_whose_parts_climb_writes_nothing(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    data = with_part(BOOK, "../../climbed.xml", lambda _: b"<a/>")
    assert one_case(data).case_ref == "OP-1"
    assert list(tmp_path.iterdir()) == []
    assert not (tmp_path.parent.parent / "climbed.xml").exists()


def test_damaged_workbooks_give_faults_and_raise_nothing():
    parts = zipfile.ZipFile(io.BytesIO(BOOK)).namelist()
    chance = random.Random(4)  # noqa: S311 - which byte is damaged
    told = 0
    for _ in range(120):
        part = chance.choice(parts)

        def damage(xml):
            at = chance.randrange(len(xml))
            return xml[:at] + bytes([chance.randrange(256)]) + xml[at + chance.randrange(3) :]

        told += bool(read(with_part(BOOK, part, damage)).faults)
    assert told > 20


def test_random_bytes_behind_a_zip_mark_are_a_fault():
    chance = random.Random(5)  # noqa: S311 - noise
    for _ in range(50):
        assert read(b"PK\x03\x04" + chance.randbytes(200)).faults


def test_a_cell_reads_as_the_library_itself_reads_it():
    rows = [HEADER, ROW, [*ROW[:2], date(2026, 2, 3), *ROW[3:]]]
    data = a_workbook(rows)
    judge = load_workbook(io.BytesIO(data)).worksheets[0]
    parsed = read(data)
    said = [(c.case_ref, s.level, s.side, s.row) for c in parsed.rows for s in c.screws]
    # The two rows are one screw twice, so they are told; what they hold is still read.
    assert [row for *_, row in said] == [2, 3]
    for case_ref, level, side, row in said:
        assert [judge.cell(row, 1).value, judge.cell(row, 5).value, judge.cell(row, 6).value] == [
            case_ref,
            level,
            side,
        ]
