"""Bytes to cells. Sources: RFC 4180 section 2 for quoting; pandas as a second reader."""

from __future__ import annotations

import io

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.intake.parsed import Faults
from registry.intake.text import decode, split
from tests.build.tables import a_table

NAMES = {"one", "two", "three"}


def cells_of(data: bytes, encoding: str | None = None) -> tuple[list[list[str]], list[str], str]:
    faults = Faults("t.csv")
    decoded = decode(data, encoding, faults)
    if decoded is None:
        return [], [fault.line() for fault in faults.in_order()], ""
    sheet = split(decoded.text, NAMES, faults)
    rows = [record.cells for record in sheet.records]
    return rows, [fault.line() for fault in faults.in_order()], sheet.separator


# RFC 4180 section 2, rules 1, 2 and 5 to 7, examples as printed there.
RFC_4180 = {
    "rule 1, line breaks": (b"aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", ["aaa", "bbb", "ccc"]),
    "rule 2, no last line break": (b"zzz,yyy,xxx", ["zzz", "yyy", "xxx"]),
    "rule 5, quoted": (b'"aaa","bbb","ccc"\r\nzzz,yyy,xxx', ["aaa", "bbb", "ccc"]),
    "rule 6, line break": (b'"aaa","b \r\nbb","ccc"\r\nzzz,yyy,xxx', ["aaa", "b \r\nbb", "ccc"]),
    "rule 7, quote": (b'"aaa","b""bb","ccc"', ["aaa", 'b"bb', "ccc"]),
}


@pytest.mark.parametrize(("body", "first"), RFC_4180.values(), ids=RFC_4180.keys())
def test_the_examples_of_rfc_4180_read_as_printed(body: bytes, first: list[str]) -> None:
    rows, faults, _ = cells_of(b"one,two,three\r\n" + body)
    assert faults == []
    assert rows[0] == first


# Whatever pandas and Python's csv module take differently (a lone carriage return, a blank row)
# is left out of the alphabet; quotes, separators and line feeds stay.
CELL = st.text(st.sampled_from('ab1.,;\t"\n äß'), max_size=6)


@settings(deadline=None, max_examples=60)
@given(
    rows=st.lists(st.tuples(st.just("x"), CELL, CELL), min_size=1, max_size=5),
    separator=st.sampled_from([",", ";", "\t"]),
)
def test_pandas_reads_the_same_cells(rows: list[tuple[str, str, str]], separator: str) -> None:
    data = a_table(["one", "two", "three"], rows, separator=separator)
    ours, faults, found = cells_of(data)
    theirs = pd.read_csv(io.BytesIO(data), sep=separator, dtype=str, keep_default_na=False)
    assert (faults, found) == ([], separator)
    assert ours == theirs.to_numpy().tolist()


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"], ids=["LF", "CRLF", "CR"])
def test_rows_are_numbered_as_a_spreadsheet_shows_them(line_end: str) -> None:
    lines = ["one,two,three", "", '1,"a', 'b",c', " , ,", "2,d,e"]
    sheet = split(line_end.join(lines), NAMES, Faults(""))
    assert sheet.header is not None
    assert sheet.header.row == 1
    assert [record.row for record in sheet.records] == [3, 5]


@pytest.mark.parametrize(
    ("header", "separator"),
    [
        ("one,two,three", ","),
        ("one;two;three", ";"),
        ("one\ttwo\tthree", "\t"),
        ('"one";"two,with,commas,in,it";three', ";"),
        ("one", ","),
    ],
    ids=["comma", "semicolon", "tab", "more commas than semicolons", "one column"],
)
def test_the_separator_is_found_from_the_header_not_from_the_data(
    header: str, separator: str
) -> None:
    sheet = split(header + "\n1,5;2,5;3,5,4,5\t9,9,9", NAMES, Faults(""))
    assert sheet.separator == separator


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"], ids=["no mark", "byte order mark"])
def test_utf_8_reads_with_and_without_byte_order_mark(encoding: str) -> None:
    rows, faults, _ = cells_of(a_table(["one", "two"], [["ä", "ß"]], encoding=encoding))
    assert (rows, faults) == ([["ä", "ß"]], [])


def test_a_byte_order_mark_outweighs_the_encoding_given() -> None:
    rows, _, _ = cells_of(a_table(["one"], [["ä"]], encoding="utf-8-sig"), "cp1252")
    assert rows == [["ä"]]


@pytest.mark.parametrize("encoding", ["cp1252", "iso-8859-15", "utf-16", "mac-roman"])
def test_another_encoding_reads_when_it_is_named(encoding: str) -> None:
    rows, faults, _ = cells_of(a_table(["one"], [["Jürgen Müßig"]], encoding=encoding), encoding)
    assert (rows, faults) == ([["Jürgen Müßig"]], [])


def test_a_wrong_encoding_is_one_fault_with_its_line() -> None:
    data = a_table(["one"], [["a"], ["Müller"], ["Jäger"]], encoding="cp1252")
    (line,) = cells_of(data)[1]
    assert line == (
        "t.csv: line 3 holds a byte (0xFC) that is not utf-8; name the file's own encoding, "
        "such as --encoding cp1252, or save the table as CSV in UTF-8"
    )


NOT_TEXT = {
    "workbook": (b"PK\x03\x04\x14\x00", None, "XLSX"),
    "old workbook": (b"\xd0\xcf\x11\xe0\xa1\xb1", None, "XLS"),
    "PDF": (b"%PDF-1.7", None, "PDF"),
    "gzip": (b"\x1f\x8b\x08", None, "gzip"),
    "workbook with an encoding": (b"PK\x03\x04\xe4", "cp1252", "XLSX"),
    "UTF-16": ("one,two".encode("utf-16"), None, "--encoding utf-16"),
    "zero byte": (b"one,two\nx,\x00", None, "line 2 holds a zero byte"),
    "no such encoding": (b"one", "klingon", "no text encoding is called 'klingon'"),
    "no encoding of text": (b"one", "base64", "no text encoding"),
    "no encoding of a file": (b"one", "unicode_escape", "no text encoding"),
    "half a UTF-16 pair": (b"\xff\xfeo", "utf-16", "line 1 holds a byte"),
}


@pytest.mark.parametrize(("data", "encoding", "word"), NOT_TEXT.values(), ids=NOT_TEXT.keys())
def test_what_is_no_csv_text_is_told_in_one_line(
    data: bytes, encoding: str | None, word: str
) -> None:
    rows, faults, _ = cells_of(data, encoding)
    assert rows == []
    assert len(faults) == 1
    assert word in faults[0]


def test_an_unclosed_quote_names_the_row_where_it_opens() -> None:
    rows, faults, _ = cells_of(b'one,two\na,b\nc,"d\ne,f\n')
    assert rows == [["a", "b"]]
    (line,) = faults
    assert line.startswith("t.csv, row 3: a quote is opened and never closed; close it")


def test_an_unclosed_quote_that_swallows_a_long_file_names_its_row() -> None:
    _, faults, _ = cells_of(b'one,two\na,"b\n' + b"c,d\n" * 50_000)
    assert len(faults) == 1
    assert faults[0].startswith("t.csv, row 2: a cell is too long")


def test_text_after_a_closing_quote_is_named_and_the_next_row_still_read() -> None:
    rows, faults, _ = cells_of(b'one,two\n"a"b,c\nd,e\n')
    assert rows == [["d", "e"]]
    assert len(faults) == 1
    assert faults[0].startswith("t.csv, row 2: text follows a closing quote")


@settings(deadline=None, max_examples=150)
@given(data=st.binary(max_size=200), encoding=st.none() | st.text(max_size=12))
def test_no_bytes_and_no_encoding_name_raise(data: bytes, encoding: str | None) -> None:
    rows, faults, separator = cells_of(data, encoding)
    assert separator in {"", ",", ";", "\t"}
    assert separator or faults
    assert all(isinstance(cell, str) for row in rows for cell in row)
