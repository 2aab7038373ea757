"""Files of an export: formulas harmless in every field, values whole in every form."""

from __future__ import annotations

import builtins
import csv
import io
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import load_workbook
from pyarrow import parquet

from registry.domain.problems import BadInputError
from registry.store.exporting.files import Format, harmless, require_installed, written
from registry.store.exporting.folder import check_free, staged
from registry.store.exporting.shapes import Field, Filled, Kind, Shape
from registry.store.exporting.tables import SHAPES

NOW = datetime(2026, 3, 31, 12, 0, tzinfo=UTC)
# OWASP ASVS 5.0.0, 1.2.10, and OWASP's page "CSV Injection": = + - @, tab, carriage return, null.
SIGNS = "=+-@\t\r\0"
PAYLOADS = (
    "=1+1",
    "+1",
    "-1+2",
    "@SUM(A1)",
    "\t=1+1",
    "\r=1+1",
    '=HYPERLINK("http://x.invalid?"&A1,"y")',
    "=cmd|' /C calc'!A0",
    "\uff1d1+1",
    ' "=1+1',
    "fine;=1+1;",
    'fine",=1+1,"',
    "fine\t=1+1",
    "fine\n=1+1",
)
VALUES = {
    Kind.WHOLE: 7,
    Kind.NUMBER: Decimal("-2.5"),
    Kind.DAY: date(2026, 2, 3),
    Kind.INSTANT: NOW,
    Kind.TRUTH: True,
}


def attacked(shape, payload):
    """Return a table with the payload in every field of text."""
    return Filled(shape, [tuple(VALUES.get(field.kind, payload) for field in shape.fields)])


def begins_a_formula(cell):
    return cell.lstrip(' "\t\r\n').startswith(tuple("=+-@\uff1d"))


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
def test_a_formula_in_any_field_is_harmless_as_csv(shape):
    for payload in PAYLOADS:
        text = written(attacked(shape, payload), Format.CSV, NOW).decode()
        _, row = csv.reader(io.StringIO(text, newline=""))
        for field, cell in zip(shape.fields, row, strict=True):
            if field.kind is Kind.TEXT:
                assert not begins_a_formula(cell), (field.name, cell)
                assert cell[0] not in SIGNS, (field.name, cell)
            if field.kind is Kind.NUMBER:
                assert cell == "-2.5"


@given(
    st.text(st.sampled_from("=+-@ab1 ,;|\t\r\n\"'\uff1d"), max_size=12), st.sampled_from(",;|\t")
)
def test_no_separator_makes_a_formula_of_what_stands_inside_a_text(text, separator):
    shape = Shape("t", "", (Field("a", Kind.TEXT, ""), Field("b", Kind.TEXT, "")), ())
    data = written(Filled(shape, [("x", text)]), Format.CSV, NOW).decode()
    for row in csv.reader(io.StringIO(data, newline=""), delimiter=separator):
        for cell in row:
            assert not begins_a_formula(cell), (text, row)


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=20))
def test_a_text_without_signs_is_left_alone(text):
    plain = "".join(mark for mark in text if mark not in "=+-@\uff1d\uff0b\uff0d\uff20\t\r\n\0")
    assert harmless(plain) == plain


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
def test_a_formula_in_any_field_is_a_text_in_a_workbook(shape):
    for payload in PAYLOADS:
        data = written(attacked(shape, payload), Format.XLSX, NOW)
        book = load_workbook(io.BytesIO(data), data_only=False)
        assert book.sheetnames == [shape.name]
        for field, cell in zip(shape.fields, book.worksheets[0][2], strict=True):
            if field.kind is Kind.TEXT:
                assert cell.data_type in {"s", "inlineStr"}, (field.name, payload)
                assert cell.value.replace("_x000D_", "\r") == payload
            if field.kind is Kind.NUMBER:
                assert cell.value == -2.5


def test_a_number_a_day_and_a_truth_stay_what_they_are_in_a_workbook():
    sheet = load_workbook(io.BytesIO(written(_typed(), Format.XLSX, NOW))).worksheets[0]
    whole, number, day, instant, truth, text = (cell.value for cell in sheet[2])
    assert (whole, number, day.date(), truth) == (7, -2.5, date(2026, 2, 3), True)
    assert instant == "2026-03-31T12:00:00Z"
    assert text == "(01)0401_x001D_17"
    assert [cell.value for cell in sheet[3]][:5] == [None] * 5


def test_a_number_a_day_and_a_truth_stay_what_they_are_in_parquet():
    table = parquet.read_table(io.BytesIO(written(_typed(), Format.PARQUET, NOW)))
    first, second = table.to_pylist()
    assert first["number"] == Decimal("-2.5")
    assert first["date"] == date(2026, 2, 3)
    assert first["datetime"] == NOW
    assert first["string"] == "(01)0401\x1d17"
    assert set(second.values()) == {None}
    assert table.schema.field("number").metadata == {b"description": b"about it", b"unit": b"mm"}


def _typed():
    fields = tuple(
        Field(kind.value, kind, "about it", unit="mm" if kind is Kind.NUMBER else "")
        for kind in (*VALUES, Kind.TEXT)
    )
    rows = [(*VALUES.values(), "(01)0401\x1d17"), (None,) * len(fields)]
    return Filled(Shape("typed", "", fields, ()), rows)


def test_without_its_library_parquet_says_how_to_install_it(monkeypatch):
    real = builtins.__import__

    def without(name, *more, **also):
        if name.startswith("pyarrow"):
            raise ModuleNotFoundError(name=name)
        return real(name, *more, **also)

    monkeypatch.setattr(builtins, "__import__", without)
    require_installed(Format.CSV)
    with pytest.raises(BadInputError) as refused:
        require_installed(Format.PARQUET)
    (line,) = refused.value.lines()
    assert line.startswith("format: Parquet needs pyarrow, which is not installed; install ")
    assert "pedicle-ledger[parquet]" in line


def test_a_table_without_rows_is_a_file_in_every_form():
    for form in Format:
        assert written(Filled(SHAPES[0], []), form, NOW)


@pytest.fixture
def home(tmp_path):
    (tmp_path / "ledger" / "keys").mkdir(parents=True)
    return tmp_path / "ledger"


def a_full_folder(tmp_path):
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "thesis.txt").write_text("mine", encoding="utf-8")
    return tmp_path / "full"


def a_file(tmp_path):
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    return tmp_path / "file"


def a_link(tmp_path):
    (tmp_path / "link").symlink_to(tmp_path / "ledger")
    return tmp_path / "link"


NOT_FREE = {
    "holds something": (a_full_folder, "is not empty"),
    "is a file": (a_file, "is no folder"),
    "is a link": (a_link, "is no folder"),
    "in the ledger": (lambda path: path / "ledger" / "new", "lies in the ledger's own folder"),
    "climbs into the ledger": (
        lambda path: path / "ledger" / "keys" / ".." / ".." / "ledger" / "keys" / "new",
        "lies in the ledger's own folder",
    ),
    "nothing above it": (lambda path: path / "not" / "there", "the folder above it"),
}


@pytest.mark.parametrize("name", NOT_FREE)
def test_a_folder_that_is_not_free_is_refused(tmp_path, home, name):
    make, words = NOT_FREE[name]
    with pytest.raises(BadInputError, match=words):
        check_free(make(tmp_path), home)


@pytest.mark.parametrize("is_there", [True, False])
def test_files_come_all_at_once_and_for_their_owner_alone(tmp_path, home, is_there):
    out = tmp_path / "out"
    if is_there:
        out.mkdir()
    check_free(out, home)
    with staged(out, {"a.csv": b"1", "b.csv": b"2"}.items()) as put:
        assert not is_there or list(out.iterdir()) == []
        put()
    assert {path.name: path.read_bytes() for path in out.iterdir()} == {
        "a.csv": b"1",
        "b.csv": b"2",
    }
    assert out.stat().st_mode & 0o777 == 0o700
    assert {path.stat().st_mode & 0o777 for path in out.iterdir()} == {0o600}
    assert {path.name for path in tmp_path.iterdir()} == {"ledger", "out"}


class GivenUpError(Exception):
    pass


def test_files_that_are_given_up_leave_nothing(tmp_path):
    with pytest.raises(GivenUpError), staged(tmp_path / "out", {"a.csv": b"1"}.items()):
        raise GivenUpError
    assert list(tmp_path.iterdir()) == []
