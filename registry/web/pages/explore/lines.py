"""A crossed table as the page prints it: the digits are those of the rates."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import blake2s
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from reports.tables.rate_words import percent

if TYPE_CHECKING:
    from collections.abc import Mapping

    from reports.tables.crossed import Crossed
    from reports.tables.rates import RateRow

SUM = "all"
MOST_CELLS = 3000


@dataclass(frozen=True)
class Cell:
    """A place of the table that holds screws.

    Attributes
    ----------
    id : of its link, the same whatever stands beside it
    address : of its screws
    place : where it stands, in words
    rate : in per cent; '' without one
    interval : in per cent; '' without one
    counts : in words
    """

    id: str
    address: str
    place: str
    rate: str
    interval: str
    counts: str


@dataclass(frozen=True)
class Line:
    """A row of the table; None where a place holds no screw."""

    name: str
    cells: tuple[Cell | None, ...]
    is_sum: bool = False


def headings(found: Crossed) -> list[str]:
    """Return the names of the columns."""
    return [*(name for _, name in found.columns), SUM]


def lines(found: Crossed, address: str) -> list[Line]:
    """Return the rows with their sums; `address` is that of a cell's screws, but for the cell."""
    made = []
    for key, name in found.rows:
        cells = [
            _cell(found.cells.get((key, across)), address, {"row": key, "column": across},
                  f"{name}, {heading}")
            for across, heading in found.columns
        ]  # fmt: skip
        total = _cell(found.row_sums.get(key), address, {"row": key}, f"{name}, {SUM}")
        made.append(Line(name, (*cells, total)))
    sums = [
        _cell(found.column_sums.get(key), address, {"column": key}, f"{SUM}, {name}")
        for key, name in found.columns
    ]
    made.append(Line(SUM, (*sums, _cell(found.whole, address, {}, SUM)), is_sum=True))
    return made


def cell_id(cell: Mapping[str, str]) -> str:
    """Return the id of a cell's link, from the keys of its row and column.

    Examples
    --------
    >>> cell_id({"row": "L4", "column": "isthmus"}) == cell_id({"column": "isthmus", "row": "L4"})
    True
    """
    text = repr([cell.get("row"), cell.get("column")])
    return f"cell-{blake2s(text.encode(), digest_size=5).hexdigest()}"


def _cell(row: RateRow | None, address: str, cell: dict[str, str], place: str) -> Cell | None:
    if row is None:
        return None
    counts = f"{row.breached} of {row.graded}"
    if not row.graded:
        counts = f"none of {row.placed} graded"
    interval = ""
    if row.low is not None and row.high is not None:
        interval = f"{percent(row.low)} to {percent(row.high)}"
    return Cell(
        id=cell_id(cell),
        address=f"{address}&{urlencode(cell)}" if cell else address,
        place=place,
        rate="" if row.rate is None else percent(row.rate),
        interval=interval,
        counts=counts,
    )
