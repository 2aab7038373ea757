"""A run as a table: its operations, its quarters, its successive patients, its two charts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.statistics.estimate import Estimate
from reports.statistics.sequential import BETTER, WORSE
from reports.tables.run_words import notes
from reports.tables.splits import Split

if TYPE_CHECKING:
    from datetime import date

    from reports.statistics.intervals import Interval
    from reports.statistics.run_lengths import RunLimit
    from reports.tables.rates import Question, RateRow


@dataclass(frozen=True)
class RunStep:
    """One operation of the run.

    Attributes
    ----------
    number : from 1
    day : of the operation
    screws, breached : graded screws and events
    expected : their expected events
    difference : observed minus expected, of the run so far
    worse, better : the two sequential charts after it
    is_late : a grade of it came, or was changed, after its quarter was settled
    """

    number: int
    day: date
    screws: int
    breached: int
    expected: float
    difference: float
    worse: float
    better: float
    is_late: bool


@dataclass(frozen=True)
class QuarterPoint:
    """One quarter: its row, the funnel's limits at its effective screws, and the moving average."""

    row: RateRow
    limits_95: Interval | None
    limits_998: Interval | None
    average: float | None
    average_low: float | None
    average_high: float | None

    @property
    def name(self) -> str:
        """Return the quarter, as 2026Q3."""
        return self.row.stratum[Split.QUARTER]


@dataclass(frozen=True)
class PatientGroup:
    """Successive patients of the learning curve.

    Attributes
    ----------
    first, last : the patients' numbers in the run, from 1
    start, end : days of their first operations
    screws, breached : graded screws and events
    rate : with the default interval
    """

    first: int
    last: int
    start: date
    end: date
    screws: int
    breached: int
    rate: Estimate


@dataclass(frozen=True)
class Chart:
    """One sequential chart: what it looks for, its limit, and where it has signalled.

    Attributes
    ----------
    odds_ratio : 2 for worse, 0.5 for better
    limit : None where too little is known for one
    signals : numbers of the operations at which the chart came to its limit
    """

    odds_ratio: float
    limit: RunLimit | None
    signals: tuple[int, ...]


@dataclass(frozen=True)
class RunTable:
    """A run and its charts.

    Attributes
    ----------
    question : what was asked
    whose : a name, or the whole unit
    target : proportion that the quarters stand against; None without one
    steps, quarters, groups : in the order of time
    worse, better : the two sequential charts
    expected_words, limit_words : how what is expected and the limit were made
    withheld : what is not shown and why, in sentences
    second_reading : what is said where only some screws were read twice
    """

    question: Question
    whose: str
    target: float | None
    steps: tuple[RunStep, ...] = ()
    quarters: tuple[QuarterPoint, ...] = ()
    groups: tuple[PatientGroup, ...] = ()
    worse: Chart = Chart(WORSE, None, ())
    better: Chart = Chart(BETTER, None, ())
    expected_words: str = ""
    limit_words: str = ""
    withheld: tuple[str, ...] = ()
    second_reading: str = ""

    def as_json(self) -> dict[str, object]:
        """Return the run as `runs --format json` prints it."""
        return {
            "of": self.whose,
            "target": self.target,
            "charts": [_chart_json(chart) for chart in (self.worse, self.better)],
            "operations": [
                {
                    "number": step.number,
                    "day": step.day.isoformat(),
                    "graded": step.screws,
                    "breached": step.breached,
                    "expected": step.expected,
                    "observed_minus_expected": step.difference,
                    "worse": step.worse,
                    "better": step.better,
                    "late": step.is_late,
                }
                for step in self.steps
            ],
            "quarters": [_quarter_json(quarter) for quarter in self.quarters],
            "groups": [
                {
                    "first_patient": group.first,
                    "last_patient": group.last,
                    "from": group.start.isoformat(),
                    "to": group.end.isoformat(),
                    "graded": group.screws,
                    "breached": group.breached,
                    "rate": group.rate.as_json(),
                }
                for group in self.groups
            ],
        }

    def notes(self) -> list[str]:
        """Return the sentences that must stand beside the charts."""
        return notes(self)


def _chart_json(chart: Chart) -> dict[str, object]:
    made = chart.limit
    return {
        "odds_ratio": chart.odds_ratio,
        "limit": made.limit if made else None,
        "in_control_screws": made.in_control_screws if made else None,
        "in_control_operations": made.in_control_operations if made else None,
        "changed_screws": made.changed_screws if made else None,
        "signals": list(chart.signals),
    }


def _quarter_json(quarter: QuarterPoint) -> dict[str, object]:
    row = quarter.row
    return {
        "quarter": quarter.name,
        "graded": row.graded,
        "breached": row.breached,
        "rate": Estimate(row.rate, row.low, row.high).as_json(),
        "limits_95": [quarter.limits_95.low, quarter.limits_95.high] if quarter.limits_95 else None,
        "limits_998": (
            [quarter.limits_998.low, quarter.limits_998.high] if quarter.limits_998 else None
        ),
        "moving_average": {
            "value": quarter.average, "low": quarter.average_low, "high": quarter.average_high
        },
    }  # fmt: skip
