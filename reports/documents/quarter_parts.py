"""Tables of a quarter's report that people read: cells from tables, in the commands' own words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.documents.blocks import Table
from reports.tables.compare_words import p_words, points, span
from reports.tables.rate_words import percent, stratum_heading
from reports.tables.surgeon_words import affected, share_imaged, words_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from reports.documents.quarter import PeriodRates, QuarterReport
    from reports.statistics.estimate import Estimate
    from reports.tables.compare import ComparisonTable
    from reports.tables.rates import RateRow, RateTable

_COUNTS = ("patients", "with one (%; interval)", "placed", "imaged", "graded", "breached")
_RATE = ("rate %", "95% interval %")


def rate_cells(row: RateRow) -> tuple[str, ...]:
    """Return a rate with all that travels with it, under `_COUNTS` and `_RATE`."""
    counts = (row.placed, row.imaged, row.graded, row.breached)
    rate = "-" if row.rate is None else percent(row.rate)
    return (
        str(row.patients),
        affected(row),
        *map(str, counts),
        rate,
        interval_cell(row),
    )


def interval_cell(row: RateRow) -> str:
    """Return a row's interval in per cent; a dash where it has none."""
    if row.low is None or row.high is None:
        return "-"
    return f"{percent(row.low)} to {percent(row.high)}"


def rate_table(table: RateTable, caption: str) -> Table:
    """Return a rate table as a document shows it."""
    by = table.question.by
    heading = (*(stratum_heading(split) for split in by), *_COUNTS, *_RATE)
    rows = tuple((*(row.stratum[split] for split in by), *rate_cells(row)) for row in table.rows)
    return Table(caption, heading, rows, texts=len(by))


def period_table(periods: Iterable[PeriodRates], caption: str) -> Table:
    """Return the periods at each cut-off."""
    rows = [
        (f"{held.period.name}, {_cut_off(table)}", *rate_cells(table.rows[0]))
        for held in periods
        for table in held.tables
    ]
    return Table(caption, ("period, breach", *_COUNTS, *_RATE), tuple(rows))


def _cut_off(table: RateTable) -> str:
    return table.question.event.words().removesuffix(" breach").removeprefix("breach of ")


def change_table(table: ComparisonTable, caption: str) -> Table:
    """Return the difference and the ratio of two periods."""
    heading = ("compared", "difference, points", "95% interval", "ratio", "95% interval", "p")
    rows = []
    for pair in table.pairs:
        found = pair.compared
        name = " less ".join(next(iter(row.stratum.values())) for row in (pair.a, pair.b))
        if found is None:
            rows.append((name, *["-"] * 5))
            continue
        rows.append(
            (
                name,
                points(found.difference.value),
                span(found.difference, points),
                *_times(found.ratio),
                p_words(found.p_value),
            )
        )
    return Table(caption, heading, tuple(rows))


def _times(found: Estimate) -> tuple[str, str]:
    value = "-" if found.value is None else f"{found.value:.2f}"
    return value, span(found, lambda each: "-" if each is None else f"{each:.2f}")


def wall_table(medial: RateTable, lateral: RateTable, caption: str) -> Table:
    """Return both walls of each level in a row."""
    heading = [*("level", "patients", "placed", "imaged")]
    for wall in ("medial", "lateral"):
        heading += [f"{wall}: of graded", "%", "95% interval %"]
    other = {tuple(row.stratum.items()): row for row in lateral.rows}
    rows = []
    for row in medial.rows:
        beside = other[tuple(row.stratum.items())]
        cells = [*row.stratum.values(), str(row.patients), str(row.placed), str(row.imaged)]
        for each in (row, beside):
            rate = "-" if each.rate is None else percent(each.rate)
            cells += [f"{each.breached} of {each.graded}", rate, interval_cell(each)]
        rows.append(tuple(cells))
    return Table(caption, tuple(heading), tuple(rows))


def direction_table(report: QuarterReport, caption: str) -> Table:
    """Return a row a direction."""
    rows = [
        (wall.value.replace("_", " "), *rate_cells(table.rows[0]))
        for wall, table in report.rates.directions.items()
    ]
    return Table(caption, ("direction", *_COUNTS, *_RATE), tuple(rows))


def surgeon_tables(report: QuarterReport) -> tuple[Table, Table]:
    """Return what stands against the lines, and what is likely; a row a code."""
    against, likely = [], []
    for point in report.surgeons.points:
        code, patients, placed, _, graded, breached, effective, *told = words_of(point)
        rate, inner, outer, expected, quotient, shrunken, with_one, where = told
        against.append(
            (code, patients, placed, share_imaged(point), graded, effective, breached, rate, inner,
             outer, where)
        )  # fmt: skip
        likely.append((code, patients, with_one, breached, expected, quotient, shrunken))
    return (
        Table(
            "Surgeons against the unit's lines, by code",
            ("code", "patients", "placed", "imaged %", "graded", "effective", "breached",
             "rate % (95% interval)", "95% lines", "99.8% lines", "where"),
            tuple(against),
        ),
        Table(
            "Observed over expected, and what is likely given all surgeons",
            ("code", "patients", "with one (%; interval)", "breached", "expected",
             "observed over expected (95% interval)", "shrunken rate % (interval)"),
            tuple(likely),
        ),
    )  # fmt: skip
