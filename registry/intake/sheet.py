"""A sheet's header against the table of columns, and its cells to values."""

from __future__ import annotations

import difflib
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import date
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, NamedTuple

from registry.intake.parsed import Faults, Parsed, Place, shown
from registry.intake.text import WHITE, Sheet, decode, header_name, split
from registry.intake.workbook import read_workbook
from registry.intake.workbook_parts import is_workbook

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from registry.intake.columns import Column
    from registry.intake.parsed import Item
    from registry.intake.text import Record

NOT_SHOWN = "(value not shown)"


@dataclass(frozen=True, slots=True)
class Cells:
    """One row's values by column name.

    Attributes
    ----------
    row : as a spreadsheet numbers it
    values : of the sound cells; a default where the cell was empty or the column left out
    given : names of the columns whose cell was not empty
    wrong : names of the columns whose cell, or the column itself, is at fault
    """

    row: int
    values: Mapping[str, Any]
    given: frozenset[str]
    wrong: frozenset[str]


class _Read(NamedTuple):
    """What one text comes to in one column; worked out once, however often it stands there."""

    value: object
    what: str = ""
    mend: str = ""


_EMPTY = _Read(None)


@dataclass
class Table:
    """A table that is being read: its rows of values, its faults, the people it names."""

    name: str
    columns: Sequence[Column]
    today: date
    faults: Faults = field(init=False)
    rows: list[Cells] = field(init=False, default_factory=list)
    separator: str = field(init=False, default="")
    encoding: str = field(init=False, default="")
    row_count: int = field(init=False, default=0)
    notes: tuple[str, ...] = field(init=False, default=())
    _people: dict[str, list[Place]] = field(init=False, default_factory=lambda: defaultdict(list))

    def __post_init__(self) -> None:
        self.faults = Faults(self.name)

    def read(self, data: bytes, encoding: str | None) -> None:
        """Fill rows and faults from the bytes of a file."""
        sheet = self._sheet(data, encoding)
        if sheet is None:
            return
        self.separator = sheet.separator
        self.notes = sheet.notes
        self.row_count = len(sheet.records)
        if sheet.header is None:
            self.faults.add("the table is empty", f"its first row names: {self._required()}")
            return
        at = self._places(sheet.header)
        if not at:
            return
        if not sheet.records:
            self.faults.add("there is no row under the header", "add a row for each screw")
        self.rows = list(self._typed(sheet, at))

    def _sheet(self, data: bytes, encoding: str | None) -> Sheet | None:
        if is_workbook(data):
            return read_workbook(data, self.faults)
        decoded = decode(data, encoding, self.faults)
        if decoded is None:
            return None
        self.encoding = decoded.encoding
        return split(decoded.text, {column.name for column in self.columns}, self.faults)

    def parsed(self, rows: Sequence[Item]) -> Parsed[Item]:
        """Return what the reading came to, with the records that were made of the rows."""
        return Parsed(
            name=self.name,
            rows=tuple(rows),
            faults=self.faults.in_order(),
            row_count=self.row_count,
            separator=self.separator,
            encoding=self.encoding,
            people=MappingProxyType(
                {person: tuple(places) for person, places in self._people.items()}
            ),
            notes=self.notes,
        )

    def _required(self) -> str:
        return ", ".join(column.name for column in self.columns if column.is_required)

    def _places(self, header: Record) -> dict[int, Column]:
        """Where each known column stands; what is wrong with the header goes to faults."""
        by_name = {column.name: column for column in self.columns}
        names = [header_name(cell) for cell in header.cells]
        if not any(name in by_name for name in names):
            # A table without header: its first row may hold a patient's number, so none is shown.
            self.faults.add(
                "the first row holds no known column name",
                f"its first row names: {self._required()}",
                row=header.row,
            )
            return {}
        counts = Counter(name for name in names if name)
        for name, count in counts.items():
            if name not in by_name:
                self._tell_unknown(
                    name, header.row, [each for each in by_name if each not in counts]
                )
            elif count > 1:
                self.faults.add(
                    f"the column stands {count} times", "keep one", row=header.row, column=name
                )
        for column in self.columns:
            if column.is_required and column.name not in counts:
                self.faults.add(
                    f"the column {column.name} is missing",
                    f"add it ({column.explanation})",
                    row=header.row,
                )
        return {
            index: by_name[name]
            for index, name in enumerate(names)
            if name in by_name and names.index(name) == index
        }

    def _tell_unknown(self, name: str, row: int, free: Sequence[str]) -> None:
        near = difflib.get_close_matches(name.replace(" ", "_"), free, n=1, cutoff=0.7)
        self.faults.add(
            f"there is no column called '{shown(name)}'",
            f"did you mean {near[0]}?" if near else "take it out, or spell it as a known one",
            row=row,
        )

    def _typed(self, sheet: Sheet, at: Mapping[int, Column]) -> Iterator[Cells]:
        width = len(sheet.header.cells) if sheet.header else 0
        nameless = [index for index in range(width) if not self._is_named(sheet, index)]
        present = {column.name for column in at.values()}
        defaults = {column.name: column.default for column in self.columns}
        missing = frozenset(
            column.name
            for column in self.columns
            if column.is_required and column.name not in present
        )
        seen: dict[int, dict[str, _Read]] = {index: {} for index in at}
        for record in sheet.records:
            if len(record.cells) != width:
                self._tell_width(record, width)
                continue
            for index in nameless:
                if record.cells[index].strip(WHITE):
                    self.faults.add(
                        f"cell {index + 1} is filled, its column has no name",
                        "name the column in the header or empty the cell",
                        row=record.row,
                    )
            marked = self._marked(sheet, record, at) if sheet.days or sheet.unread else ()
            yield self._cells(record, at, seen, defaults, missing, marked)

    def _marked(self, sheet: Sheet, record: Record, at: Mapping[int, Column]) -> frozenset[int]:
        """Where a workbook's cells have no text that may be taken for the column's."""
        made_days = [
            index
            for index, column in at.items()
            if (record.row, index) in sheet.days and not column.is_day
        ]
        for index in made_days:
            self.faults.add(
                "the cell holds a date, which a spreadsheet may have made of something else",
                "format the column as text and type it again",
                row=record.row,
                column=at[index].name,
            )
        unread = [index for index in at if (record.row, index) in sheet.unread]
        return frozenset(made_days + unread)

    @staticmethod
    def _is_named(sheet: Sheet, index: int) -> bool:
        return bool(sheet.header and header_name(sheet.header.cells[index]))

    def _tell_width(self, record: Record, width: int) -> None:
        count = len(record.cells)
        mend = "give every row as many cells as the header"
        if count > width and self.separator == ",":
            mend += "; a decimal comma or a comma inside a cell makes a cell too many"
        self.faults.add(f"{count} cells where the header has {width}", mend, row=record.row)

    def _cells(
        self,
        record: Record,
        at: Mapping[int, Column],
        seen: Mapping[int, dict[str, _Read]],
        defaults: Mapping[str, object],
        missing: frozenset[str],
        marked: Collection[int] = (),
    ) -> Cells:
        values = dict(defaults)
        given: list[str] = []
        wrong: list[str] = []
        for index, column in at.items():
            if index in marked:
                wrong.append(column.name)
                continue
            text = record.cells[index]
            read = seen[index].get(text)
            if read is None:
                read = seen[index][text] = self._read_cell(column, text)
            if read.what:
                wrong.append(column.name)
                self.faults.add(read.what, read.mend, row=record.row, column=column.name)
            elif read is not _EMPTY:
                given.append(column.name)
                values[column.name] = read.value
                if column.names_people:
                    self._note_people(read.value, Place(record.row, column.name))
        return Cells(
            record.row, values, frozenset(given), missing.union(wrong) if wrong else missing
        )

    def _read_cell(self, column: Column, cell: str) -> _Read:
        text = cell.strip(WHITE)
        if not text:
            if column.is_required and not column.may_be_empty:
                return _Read(None, "the cell is empty", f"give {column.is_a}")
            return _EMPTY
        if column.is_number and "," in text:
            if self.separator == ",":
                return _Read(
                    None,
                    f"'{shown(text)}' has a decimal comma in a table separated by commas",
                    "write a point, such as 2.1, or separate the cells by semicolons",
                )
            # One comma and no point is a decimal comma; anything else may be thousands.
            text = text.replace(",", ".") if text.count(",") == 1 and "." not in text else text
        try:
            value = column.parse(text)
        except ValueError as error:
            what = NOT_SHOWN if column.is_identity else f"'{shown(cell)}'"
            return _Read(None, f"{what} is not {column.is_a}", str(error))
        if column.is_past and isinstance(value, date) and value > self.today:
            return _Read(
                None, f"{value} lies after today, {self.today}", "check the year, month and day"
            )
        return _Read(value)

    def _note_people(self, value: object, place: Place) -> None:
        for person in value if isinstance(value, tuple) else (str(value),):
            self._people[person].append(place)
