"""The first sheet of an XLSX workbook to the same rows of text that its CSV file would give.

Nothing in a workbook is run: formulas are refused, and macros are parts that nobody opens. Rows
that are hidden are read as well, as a spreadsheet's own saving as CSV does, and it is said.
"""

from __future__ import annotations

import io
import struct
import warnings
from typing import TYPE_CHECKING, Any

from openpyxl import load_workbook
from openpyxl.utils import get_column_letter
from openpyxl.utils.exceptions import InvalidFileException

from registry.intake.parsed import Faults, shown
from registry.intake.text import WHITE, Record, Sheet
from registry.intake.workbook_cells import Unread, cell_text
from registry.intake.workbook_parts import (
    BROKEN,
    Layout,
    RefusedError,
    check_package,
    layout_of,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from openpyxl.cell.read_only import ReadOnlyCell

# What openpyxl raises on parts that are not as they should be; none of it is ours to tell apart.
_DAMAGED = (
    *BROKEN,
    ArithmeticError,
    AssertionError,
    AttributeError,
    InvalidFileException,
    LookupError,
    SyntaxError,  # XML's, from whichever parser openpyxl found: Python's own or lxml
    TypeError,
    ValueError,
    struct.error,
)
_RANGES_SHOWN = 3


def read_workbook(data: bytes, faults: Faults) -> Sheet | None:
    """Return the first sheet's rows, or None where the workbook is refused.

    What is wrong goes to `faults`, cell by cell; `Sheet.unread` names the cells that have no text.
    """
    try:
        check_package(data)
        with warnings.catch_warnings():
            # It warns of what it leaves out, such as pictures; the cells are all that is read.
            warnings.simplefilter("ignore")
            return _first_sheet(data, faults)
    except RefusedError as refusal:
        faults.add(refusal.what, refusal.mend)
    except _DAMAGED:
        faults.add("this workbook is damaged", "open it, save it again, or save it as CSV")
    return None


def _first_sheet(data: bytes, faults: Faults) -> Sheet:
    book = load_workbook(io.BytesIO(data), read_only=True, data_only=False, keep_links=False)
    try:
        if not book.worksheets:
            raise RefusedError("this workbook has no sheet of cells")
        sheet: Any = book.worksheets[0]  # read-only, for which the stubs have no type of its own
        if sheet.sheet_state != "visible":
            raise RefusedError(
                "the first sheet of this workbook is hidden", "show it, or put the table first"
            )
        layout = layout_of(data, sheet._worksheet_path)  # noqa: SLF001 - it has no public name
        if layout.merged:
            ranges = ", ".join(shown(each, 20) for each in layout.merged[:_RANGES_SHOWN])
            raise RefusedError(
                f"cells are merged in the first sheet: {ranges}",
                "unmerge them and fill every cell",
            )
        return _rows(sheet, layout, faults)
    finally:
        book.close()


def _rows(sheet: Any, layout: Layout, faults: Faults) -> Sheet:  # noqa: ANN401 - as above
    header: Record | None = None
    records: list[Record] = []
    days: set[tuple[int, int]] = set()
    unread: set[tuple[int, int]] = set()
    for row, cells in _cells(sheet, layout):
        texts = [""] * len(cells)
        for index, cell in enumerate(cells):
            if cell.value is None:
                continue
            found = cell_text(cell)
            if isinstance(found, Unread):
                unread.add((row, index))
                name = f"{get_column_letter(index + 1)}{row}"
                faults.add(f"cell {name} {found.what}", found.mend, row=row)
                continue
            texts[index] = found.text
            if found.is_day:
                days.add((row, index))
        if not any(text.strip(WHITE) for text in texts) and not any(at[0] == row for at in unread):
            continue
        if header is None:
            header = Record(row, texts)
        else:
            records.append(Record(row, texts))
    return Sheet(
        header,
        tuple(records),
        separator="",
        days=frozenset(days),
        unread=frozenset(unread),
        notes=_notes(layout),
    )


def _cells(
    sheet: Any,  # noqa: ANN401 - as above
    layout: Layout,
) -> Iterator[tuple[int, tuple[ReadOnlyCell, ...]]]:
    if layout.rows:
        rows = sheet.iter_rows(1, layout.rows, 1, layout.columns)
        yield from enumerate(rows, start=1)


def _notes(layout: Layout) -> tuple[str, ...]:
    count = len(layout.hidden_rows)
    if not count:
        return ()
    what = "1 hidden row was" if count == 1 else f"{count} hidden rows were"
    return (f"{what} read as well",)
