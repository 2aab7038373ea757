"""Builders of theatre logs and tables of readings as CSV bytes.

A row is the cells that differ from the usual ones; an empty table is `a_log(header_only=True)`.
"""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

LOG_CELLS: dict[str, object] = {
    "case_ref": "OP-1",
    "patient_ref": "H100",
    "operated_on": "2026-02-03",
    "surgeon": "Anna Berg",
    "level": "L4",
    "side": "L",
    "entry_technique": "lateral intersection",
    "guidance": "freehand",
}
READING_CELLS: dict[str, object] = {
    "case_ref": "OP-1",
    "level": "L4",
    "side": "L",
    "reader": "Rita Reader",
    "read_on": "2026-02-10",
    "medial_mm": "0",
    "lateral_mm": "0",
    "cranial_mm": "0",
    "caudal_mm": "0",
}


def a_log(*rows: Mapping[str, object], **how: object) -> bytes:
    """Return a theatre log; without rows, one screw. `how` as for `a_table`."""
    return _with_usual(LOG_CELLS, rows, how)


def a_readings(*rows: Mapping[str, object], **how: object) -> bytes:
    """Return a table of readings; without rows, one contained screw. `how` as for `a_table`."""
    return _with_usual(READING_CELLS, rows, how)


def _with_usual(
    usual: Mapping[str, object], rows: Sequence[Mapping[str, object]], how: Mapping[str, object]
) -> bytes:
    filled = [{**usual, **row} for row in rows or ({},)]
    columns = list(dict.fromkeys(name for row in filled for name in row))
    if how.get("header_only"):
        filled = []
    kept = {name: value for name, value in how.items() if name != "header_only"}
    return a_table(columns, [[row.get(name, "") for name in columns] for row in filled], **kept)


def a_table(
    columns: Iterable[object],
    rows: Iterable[Iterable[object]],
    *,
    separator: str = ",",
    encoding: str = "utf-8",
    line_end: str = "\r\n",
) -> bytes:
    """Return a table as Python's own csv module writes it."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator, lineterminator=line_end)
    writer.writerow(list(columns))
    writer.writerows([list(row) for row in rows])
    return text.getvalue().encode(encoding)
