"""Rates by two splits laid out as rows and columns, and said in a sentence."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from reports.tables.rate_words import percent, stratum_heading
from reports.tables.splits import PERSONS, in_order

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from reports.tables.rates import Question, RateRow, RateTable
    from reports.tables.splits import Split


@dataclass(frozen=True)
class Crossed:
    """A table of rates with its sums.

    Attributes
    ----------
    table : by two splits; the first are the rows, the second the columns
    rows, columns : keys and names, in order
    cells : by key of row and column; what has no screw has none
    row_sums, column_sums : all columns of a row, all rows of a column, by key
    whole : all together; None without a screw
    """

    table: RateTable
    rows: tuple[tuple[str, str], ...]
    columns: tuple[tuple[str, str], ...]
    cells: Mapping[tuple[str, str], RateRow]
    row_sums: Mapping[str, RateRow]
    column_sums: Mapping[str, RateRow]
    whole: RateRow | None

    def sentence(self) -> str:
        """Return what the table shows, in words; people are never named as first or last."""
        found = self.table.rows
        shown = [row for row in found if row.rate is not None]
        if not found:
            return ""
        places = f"{len(found)} place holds" if len(found) == 1 else f"{len(found)} places hold"
        opening = f"{places} placed screws, and {len(shown)} enough graded ones for a rate"
        if not shown:
            return f"{opening}."
        ends = [min(shown, key=_rate), max(shown, key=_rate)]
        if len(shown) == 1:
            return f"{opening}: {self._told(ends[0])}."
        between = " to ".join(self._told(row) for row in ends)
        overlap = "" if ends[0].low is None else "; where intervals overlap, they may not differ"
        return (
            f"{opening}: from {between}. Of many places some lie high and some low by chance "
            f"alone{overlap}."
        )

    def _told(self, row: RateRow) -> str:
        """Return a cell's rate with its interval, and where it stands unless people stand there."""
        told = [] if row.low is None or row.high is None else [
            f"interval {percent(row.low)}% to {percent(row.high)}%"
        ]  # fmt: skip
        if not PERSONS & set(self.table.question.by):
            told.insert(0, ", ".join(row.stratum.values()))
        more = f" ({'; '.join(told)})" if told else ""
        return f"{percent(row.rate or 0.0)}%{more}"


def sums_asked(question: Question) -> tuple[Question, Question, Question]:
    """Return the questions of the sums: of each row, of each column, of all."""
    first, second = question.by
    return replace(question, by=(first,)), replace(question, by=(second,)), replace(question, by=())


def crossed(table: RateTable, sums: tuple[RateTable, RateTable, RateTable]) -> Crossed:
    """Return the layout of a table by two splits, with the tables of `sums_asked`."""
    down, across = table.question.by
    of_rows, of_columns, of_all = sums
    whole = of_all.rows[0] if of_all.rows and of_all.rows[0].placed else None
    return Crossed(
        table=table,
        rows=_named(down, ((row.keys[0], row.stratum[down]) for row in table.rows)),
        columns=_named(across, ((row.keys[1], row.stratum[across]) for row in table.rows)),
        cells={(row.keys[0], row.keys[1]): row for row in table.rows},
        row_sums={row.keys[0]: row for row in of_rows.rows},
        column_sums={row.keys[0]: row for row in of_columns.rows},
        whole=whole,
    )


def crossed_words(question: Question) -> str:
    """Return what is crossed: level by entry technique."""
    return " by ".join(stratum_heading(split) for split in question.by)


def _rate(row: RateRow) -> float:
    return row.rate or 0.0


def _named(split: Split, values: Iterable[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    return tuple(in_order(split, values))
