"""What reading a table comes to: its rows and everything that is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Generic, NamedTuple, TypeVar

from registry.domain.problems import Fault

if TYPE_CHECKING:
    from collections.abc import Mapping

Item = TypeVar("Item")


class Place(NamedTuple):
    """A cell, as a spreadsheet names it: the header is row 1."""

    row: int
    column: str


@dataclass(frozen=True)
class Parsed(Generic[Item]):
    """A table that was read.

    Attributes
    ----------
    name : as faults name the file
    rows : what could be made of the sound rows; where there are faults it is not the whole table
    faults : everything that is wrong, in the order of the rows
    row_count : rows under the header that are not blank
    separator : what stood between the cells; '' where the text could not be read
    encoding : Python's name of the encoding that was used; '' where the text could not be read
    people : every person's name in the table, faulty rows included, and the cells it stands in
    notes : what a person should know of the file, though nothing is wrong
    """

    name: str
    rows: tuple[Item, ...]
    faults: tuple[Fault, ...]
    row_count: int
    separator: str
    encoding: str
    people: Mapping[str, tuple[Place, ...]]
    notes: tuple[str, ...] = ()

    def fault_at(self, place: Place, what: str, mend: str = "") -> Fault:
        """Return a fault of one cell, worded as the table's own faults are."""
        return Fault(what, where(self.name, place.row, place.column), mend)


def where(name: str, row: int | None = None, column: str = "") -> str:
    """Return how a fault names a place in the file `name`."""
    parts = [shown(name, at_most=200) or "table"]
    if row is not None:
        parts.append(f"row {row}")
    if column:
        parts.append(f"column {column}")
    return ", ".join(parts)


def shown(text: str, at_most: int = 40) -> str:
    """Return `text` as a fault may show it: short, and nothing that steers a terminal."""
    line = " ".join(text.split())
    plain = "".join(mark if mark.isprintable() else "?" for mark in line)
    return plain if len(plain) <= at_most else plain[: at_most - 3] + "..."


@dataclass
class Faults:
    """Gathers faults as they are found and gives them back in the order of the rows."""

    name: str
    _found: list[tuple[int, Fault]] = field(default_factory=list)

    def add(self, what: str, mend: str = "", *, row: int | None = None, column: str = "") -> None:
        """Note one fault; without a row it is about the whole file and comes first."""
        self._found.append((row or 0, Fault(what, where(self.name, row, column), mend)))

    def in_order(self) -> tuple[Fault, ...]:
        """Return all of them, file first, then row by row, as found within a row."""
        return tuple(fault for _, fault in sorted(self._found, key=lambda pair: pair[0]))
