"""Flat tables as files: one CSV a table (RFC 4180), one workbook of all; the same bytes each time.

A text that a spreadsheet would take for a formula gets an apostrophe in CSV (OWASP ASVS
v5.0.0-1.2.10); in the workbook every text is a cell of type text.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from typing import TYPE_CHECKING

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Font

from reports.documents.canonical import DIGITS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from openpyxl.cell import Cell
    from openpyxl.worksheet._write_only import WriteOnlyWorksheet

    from reports.documents.flat_tables import FlatTable

_NUMBER = re.compile(rf"-?\d+\.\d{{{DIGITS}}}")
_FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\0")
_MODIFIED = re.compile(rb"(<dcterms:modified[^>]*>)[^<]*")
_FIRST_DAY = (1980, 1, 1, 0, 0, 0)
"""The earliest that a zip can say: members of one workbook differ in nothing but what they hold."""


def as_csv(table: FlatTable) -> bytes:
    """Return a table as CSV, UTF-8; a cell without a value is empty."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerows([_harmless(cell) for cell in line] for line in table.cells())
    return text.getvalue().encode()


def _harmless(cell: object) -> object:
    if not isinstance(cell, str) or _NUMBER.fullmatch(cell) or not cell.startswith(_FORMULA_SIGNS):
        return cell
    return f"'{cell}"


def as_workbook(tables: Sequence[FlatTable], made_at: datetime) -> bytes:
    """Return the tables as one workbook, a sheet each; numbers are numbers, at fixed digits."""
    book = Workbook(write_only=True)
    book.properties.creator = "Pedicle Ledger"
    book.properties.created = made_at.replace(tzinfo=None)
    for table in tables:
        sheet = book.create_sheet(table.name)
        sheet.freeze_panes = "A2"
        heading, *lines = table.cells()
        sheet.append([_text(sheet, str(name), is_bold=True) for name in heading])
        for line in lines:
            sheet.append([_in_sheet(sheet, cell) for cell in line])
    written = io.BytesIO()
    book.save(written)
    return _undated(written.getvalue(), made_at)


def _in_sheet(sheet: WriteOnlyWorksheet, cell: str | int | None) -> object:
    if not isinstance(cell, str):
        return cell
    return float(cell) if _NUMBER.fullmatch(cell) else _text(sheet, cell)


def _text(sheet: WriteOnlyWorksheet, text: str, *, is_bold: bool = False) -> Cell:
    made = WriteOnlyCell(sheet, text)
    made.data_type = "s"
    if is_bold:
        made.font = Font(bold=True)
    return made


def _undated(book: bytes, made_at: datetime) -> bytes:
    """Return a workbook whose bytes do not tell when they were written, but of which instant."""
    stamp = made_at.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    target = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(book)) as before,
        zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as after,
    ):
        for name in before.namelist():
            member = zipfile.ZipInfo(name, _FIRST_DAY)
            member.compress_type = zipfile.ZIP_DEFLATED
            after.writestr(member, _MODIFIED.sub(rb"\g<1>" + stamp, before.read(name)))
    return target.getvalue()
