"""One cell of a workbook to the text that the same cell has in a CSV file; never guessed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from openpyxl.cell.read_only import ReadOnlyCell

_DIGITS_KEPT = 15
"""A spreadsheet shows and keeps this many digits of a number."""
_ESCAPED = re.compile(r"_x([0-9A-Fa-f]{4})_")  # ECMA-376 Part 1, 22.9.2.19, ST_Xstring
# Formats under which a number looks as it is, bar the number of decimals: 0, 0.00, #,##0.0.
_PLAIN_FORMAT = re.compile(r"General|@|[#,]*0?(\.[0#?]+)?", re.IGNORECASE)
_DECORATION = re.compile(r"\[[^\]]*\]|_.|\*.|\\ |\"\s*\"|[()+-]")
_FIRST_SERIAL_OF_MARCH = date(1900, 3, 1)


@dataclass(frozen=True)
class Text:
    """A cell that was read; `is_day` where the workbook holds a date and no text."""

    text: str
    is_day: bool = False


@dataclass(frozen=True)
class Unread:
    """A cell that says nothing safely."""

    what: str
    mend: str


_NO_VALUE = {
    "f": Unread("holds a formula", "save values in place of formulas"),
    "e": Unread("holds an error", "correct or empty it"),
}


def cell_text(cell: ReadOnlyCell) -> Text | Unread:
    """Return the text of a cell, or why there is none."""
    if refusal := _NO_VALUE.get(cell.data_type):
        return refusal
    value = "" if cell.value is None else cell.value
    if isinstance(value, bool):
        return Text("true" if value else "false")
    if isinstance(value, str):
        return Text(_ESCAPED.sub(lambda found: chr(int(found[1], 16)), value))
    if isinstance(value, (int, float)):
        return _number(value, cell.number_format)
    return _day(value)


def _number(value: float, shown_as: str) -> Text | Unread:
    first_section = shown_as.partition(";")[0]
    if not _PLAIN_FORMAT.fullmatch(_DECORATION.sub("", first_section)):
        # 00123, 50% or 1/2: what is shown is not what is kept.
        return Unread(
            "shows a number in a format of its own",
            "format it as text and type it again, or as a plain number",
        )
    if isinstance(value, int):
        return _whole(value)
    shortest = f"{value:.{_DIGITS_KEPT}g}"
    if "e" in shortest or "n" in shortest:
        if float(value).is_integer():
            return _whole(int(value))
        return Unread("holds a number too large or too small", "check it")
    return Text(shortest)


def _whole(value: int) -> Text | Unread:
    if len(str(abs(value))) > _DIGITS_KEPT:
        return Unread(
            f"holds a number of more than {_DIGITS_KEPT} digits, of which a spreadsheet keeps "
            f"{_DIGITS_KEPT}",
            "format it as text and type it again",
        )
    return Text(str(value))


def _day(value: object) -> Text | Unread:
    if isinstance(value, datetime):
        if value.time() != time():
            return Unread("holds a day with a time", "keep the day alone")
        value = value.date()
    if not isinstance(value, date):
        return Unread("holds a time", "write a day, or format it as text")
    if value < _FIRST_SERIAL_OF_MARCH:
        # The 1900 date system counts a 29 February 1900 that never was.
        return Unread("holds a day before March 1900", "write it as text, YYYY-MM-DD")
    return Text(value.isoformat(), is_day=True)
