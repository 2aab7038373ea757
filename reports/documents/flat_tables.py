"""A quarter's numbers as plain tables: a name, a heading, lines; for CSV and a workbook.

Numbers are at the digits of the canonical JSON, so that no form of the report says another number.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.documents.canonical import fixed
from reports.documents.quarter_words import six_sentences
from reports.tables.compare_words import pair_cells
from reports.tables.rates import SHARE_NAMES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reports.documents.quarter import QuarterReport
    from reports.tables.rates import RateTable

_ROW = (
    *("patients", "patients_with_event", "placed", "imaged", "graded", "breached", "provisional"),
    *("rate", "low", "high", "design_effect", "effective", "df"),
)
_MOST_SPLITS = 2


@dataclass(frozen=True)
class FlatTable:
    """A table of a report: its name, the columns' names, and a line a row."""

    name: str
    heading: tuple[str, ...]
    lines: tuple[tuple[object, ...], ...]

    def cells(self) -> list[list[str | int | None]]:
        """Return heading and lines; numbers that are not whole as text at fixed digits."""
        return [list(self.heading), *([_cell(value) for value in line] for line in self.lines)]


def _cell(value: object) -> str | int | None:
    if isinstance(value, bool):
        return "true" if value else "false"
    if value is None or isinstance(value, int | str):
        return value
    if isinstance(value, float):
        return fixed(value)
    return str(value)


def flat_tables(report: QuarterReport) -> tuple[FlatTable, ...]:
    """Return every table of the report."""
    return (
        FlatTable("summary", ("number", "sentence"), tuple(enumerate(six_sentences(report), 1))),
        _rates(report),
        _compare(report),
        _surgeons(report),
        _operations(report),
        _agreement(report),
        _grades(report),
        _completeness(report),
        _missing(report),
        _waiting(report),
        _actions(report),
    )


def _rates(report: QuarterReport) -> FlatTable:
    heading = (
        *("table", "from", "to", "threshold", "direction"),
        *("split", "value", "other_split", "other_value"),
        *_ROW,
        *SHARE_NAMES,
    )
    lines = tuple(
        line for name, table in report.rates.tables().items() for line in _rate_lines(name, table)
    )
    return FlatTable("rates", heading, lines)


def _rate_lines(name: str, table: RateTable) -> Iterator[tuple[object, ...]]:
    asked = table.question
    about = (name, asked.start, asked.end, asked.threshold.value, asked.direction)
    for row in table.rows:
        parts: list[str | None] = []
        for split, value in row.stratum.items():
            parts += [split.value, value]
        parts += [None] * (2 * _MOST_SPLITS - len(parts))
        yield (*about, *parts, *(getattr(row, each) for each in _ROW), *row.patient_share.cells)


def _compare(report: QuarterReport) -> FlatTable:
    heading, *lines = pair_cells(report.change.pairs if report.change else ())
    return FlatTable("compare", tuple(map(str, heading)), tuple(map(tuple, lines)))


def _surgeons(report: QuarterReport) -> FlatTable:
    heading = (
        *("code", "patients", "placed", "imaged", "graded", "breached", "effective"),
        *("rate", "rate_low", "rate_high", "limit_95_low", "limit_95_high", "limit_998_low"),
        *("limit_998_high", "expected", "observed_over_expected", "oe_low", "oe_high"),
        *("shrunken", "shrunken_low", "shrunken_high", "where", "patients_with_event"),
        *SHARE_NAMES,
    )
    lines = []
    for point in report.surgeons.points:
        limits = [
            part
            for held in (point.limits_95, point.limits_998)
            for part in ((held.low, held.high) if held else (None, None))
        ]
        lines.append(
            (
                *(point.code, point.patients, point.placed, point.imaged, point.graded),
                *(point.breached, point.effective, *point.rate.cells, *limits, point.expected),
                *(*point.observed_over_expected.cells, *point.shrunken.cells),
                *(point.position.value, point.patients_with_event, *point.patient_share.cells),
            )
        )
    return FlatTable("surgeons", heading, tuple(lines))


def _operations(report: QuarterReport) -> FlatTable:
    heading = (
        *("operation", "day", "graded", "breached", "expected", "observed_minus_expected"),
        *("worse", "better", "late"),
    )
    lines = tuple(
        (step.number, step.day, step.screws, step.breached, step.expected, step.difference,
         step.worse, step.better, step.is_late)
        for step in report.run.steps
    )  # fmt: skip
    return FlatTable("runs", heading, lines)


def _agreement(report: QuarterReport) -> FlatTable:
    found = report.readers.whole
    named = [
        ("observed", found.observed),
        ("observed_breached", found.observed_breached),
        *((f"kappa_{name.value}", each) for name, each in found.kappa.items()),
        ("ac1", found.ac1),
        ("icc_2_1", found.icc_2_1),
        ("icc_3_1", found.icc_3_1),
        ("bias_mm", found.limits.bias),
        ("lower_limit_mm", found.limits.lower),
        ("upper_limit_mm", found.limits.upper),
    ]
    lines = [(name, *each.cells) for name, each in named]
    lines.append(("sd_mm", found.limits.sd, None, None))
    lines += [("screws", found.screws, None, None), ("patients", found.patients, None, None)]
    return FlatTable("agreement", ("name", "value", "low", "high"), tuple(lines))


def _grades(report: QuarterReport) -> FlatTable:
    found = report.readers.whole
    lines = tuple(
        (first, second, count)
        for first, row in zip(found.grades, found.table, strict=True)
        for second, count in zip(found.grades, row, strict=True)
    )
    return FlatTable("grades", ("first", "second", "screws"), lines)


def _completeness(report: QuarterReport) -> FlatTable:
    found = report.completeness
    lines: list[tuple[object, ...]] = [
        (name, value, None, None) for name, value in found.as_json().items() if name != "rate"
    ]
    lines.append(("rate", *found.rate.cells))
    lines += [(each.assumption, *each.rate.cells) for each in found.assumed]
    return FlatTable("completeness", ("name", "value", "low", "high"), tuple(lines))


def _missing(report: QuarterReport) -> FlatTable:
    found = report.completeness
    lines: list[tuple[object, ...]] = []
    lines += [("not imaged", gap.why, gap.screws, gap.cases) for gap in found.unimaged]
    lines += [("not assessable", gap.why, gap.screws, gap.cases) for gap in found.not_assessable]
    lines += [
        ("not read", None, found.unread, None),
        ("partly read", None, found.partly_read, None),
    ]
    return FlatTable("missing", ("what", "reason", "screws", "cases"), tuple(lines))


def _waiting(report: QuarterReport) -> FlatTable:
    work = report.work
    lines: list[tuple[object, ...]] = [
        ("policy", item.number, f"{item.level} {item.side}", item.rule_met, item.state)
        for item in work.policy
    ]
    lines += [
        ("provisional", None, f"{each.level} {each.side}", None, each.state)
        for each in work.provisional
    ]
    return FlatTable("not_settled", ("what", "number", "screw", "rule", "state"), tuple(lines))


def _actions(report: QuarterReport) -> FlatTable:
    heading = (
        *("section", "number", "quarter", "what", "owner", "due_on", "state", "ended_on"),
        *("came_of_it", "replaced_by"),
    )
    lines = tuple(
        (section, each.number, each.period, each.what, each.owner, each.due_on, each.state.value,
         each.ended_on, each.came_of_it, each.replaced_by)
        for section, held in (
            ("from last time", report.actions.from_last_time),
            ("agreed", report.actions.agreed),
        )
        for each in held
    )  # fmt: skip
    return FlatTable("actions", heading, lines)
