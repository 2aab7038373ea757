"""Builders of XLSX workbooks: whole ones by openpyxl, crooked ones by taking a part's XML apart."""

from __future__ import annotations

import csv
import io
import zipfile
from typing import TYPE_CHECKING

from openpyxl import Workbook

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from openpyxl.worksheet.worksheet import Worksheet

SHEET = "xl/worksheets/sheet1.xml"


def a_workbook(
    rows: Iterable[Sequence[object]], change: Callable[[Worksheet], object] | None = None
) -> bytes:
    """Return a workbook of one sheet with these rows; `change` is done to the sheet before."""
    book = Workbook()
    sheet = book.active
    for row in rows:
        sheet.append(list(row))
    if change is not None:
        change(sheet)
    return saved(book)


def saved(book: Workbook) -> bytes:
    """Return a workbook's bytes."""
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


def as_text_cells(table: bytes) -> bytes:
    """Return the workbook of a CSV table, every cell as text."""
    rows = csv.reader(io.StringIO(table.decode(), newline=""))
    return a_workbook([[cell or None for cell in row] for row in rows], _all_text)


def _all_text(sheet: Worksheet) -> None:
    # openpyxl takes a text that begins with = for a formula.
    for row in sheet.iter_rows():
        for cell in row:
            if cell.value is not None:
                cell.data_type = "s"


def with_part(book: bytes, part: str, change: Callable[[bytes], bytes]) -> bytes:
    """Return a workbook with one part's bytes changed; a part that is not there is added."""
    target = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(book)) as source,
        zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as changed,
    ):
        for name in source.namelist():
            data = source.read(name)
            changed.writestr(name, change(data) if name == part else data)
        if part not in source.namelist():
            changed.writestr(part, change(b""))
    return target.getvalue()
