"""How a run is said to people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.statistics.estimate import Estimate
from reports.statistics.run_lengths import SEED
from reports.statistics.sequential import EWMA_WEIGHT
from reports.tables.rate_words import percent, period_of
from reports.tables.surgeon_words import between, in_per_cent

if TYPE_CHECKING:
    from reports.tables.run_table import Chart, RunTable

ORDER = (
    "Screws stand in the order of day of operation, case, and level from cranial to caudal. A "
    "grade that comes late changes the past: the charts are drawn anew from all grades each time, "
    "and operations with a grade that came, or was changed, after their quarter was settled are "
    "marked."
)

DRIFT = (
    "Observed minus expected has no limits of its own, as such a sum drifts by chance as well: "
    "whether a rise is more than luck is told by the sequential charts."
)


def notes(table: RunTable) -> list[str]:
    """Return the sentences that must stand beside the charts."""
    event = table.question.event.words()
    said = [f"{event[0].upper()}{event[1:]}; {table.whose}; {period_of(table.question)}."]
    if table.steps:
        last = table.steps[-1]
        screws = sum(step.screws for step in table.steps)
        breached = sum(step.breached for step in table.steps)
        expected = sum(step.expected for step in table.steps)
        gap = f"{abs(last.difference):.1f}"
        told = f"{gap} {'more' if last.difference > 0 else 'fewer'}" if float(gap) else "as many"
        said.append(
            f"{len(table.steps)} operations, {screws} graded screws: {breached} breached where "
            f"{expected:.1f} are expected, {told}."
        )
        said += [table.expected_words, DRIFT]
        said += [chart_words(chart) for chart in (table.worse, table.better)]
        said += [table.limit_words, beyond_words(table)]
        said.append(ORDER)
        late = sum(step.is_late for step in table.steps)
        if late:
            said.append(f"Marked as late: {late} of {len(table.steps)} operations.")
    said += [*table.withheld, table.second_reading]
    return [words for words in said if words]


def chart_words(chart: Chart) -> str:
    """Return what a sequential chart looks for, its limit, what that promises, and its signals."""
    change = "doubled" if chart.odds_ratio > 1 else "halved"
    made = chart.limit
    if made is None:
        return f"No limit for {change} odds: fewer than ten operations, or nothing is expected."
    signalled = ", ".join(str(number) for number in chart.signals)
    where = f"signal at operation {signalled}" if signalled else "no signal"
    return (
        f"Chart for {change} odds: limit {made.limit:.2f}, {where}. In control it signals falsely "
        f"once in about {made.in_control_screws:.0f} screws ({made.in_control_operations:.0f} "
        f"patients); after the odds have {change} it takes about {made.changed_screws:.0f} screws "
        f"({made.changed_operations:.0f} patients) on average. Found by simulating {made.chains} "
        f"runs of whole patients (seed {SEED}); a patient's second operation is taken as another "
        "patient's."
    )


def beyond_words(table: RunTable) -> str:
    """Return which quarters lie beyond their 95% limits; '' where none has any."""
    told, counted = [], 0
    for quarter in table.quarters:
        rate, limits = quarter.row.rate, quarter.limits_95
        if rate is None or limits is None:
            continue
        counted += 1
        if not limits.low <= rate <= limits.high:
            told.append(f"{quarter.name} ({'above' if rate > limits.high else 'below'})")
    if not counted:
        return ""
    return (
        f"Quarters beyond their 95% limits: {', '.join(told) or 'none'}, of {counted}; by chance "
        "alone one in twenty lies there."
    )


def average_words() -> str:
    """Return what the moving average of the quarters is."""
    return (
        f"Moving average: {percent(EWMA_WEIGHT)[:-2]}% of it is the newest quarter; its band is "
        "three standard deviations wide each way, a guide and no limit, as it is skewed at low "
        "rates."
    )


STEP_HEADINGS = (
    *("operation", "day", "graded", "breached", "expected", "observed minus expected, so far"),
    *("chart, worse", "chart, better", "late grade"),
)
QUARTER_HEADINGS = (
    *("quarter", "graded", "breached", "rate % (interval)", "95% limits", "99.8% limits"),
    "moving average % (guide)",
)
GROUP_HEADINGS = ("patients", "first operations", "graded", "breached", "rate % (interval)")


def step_lines(table: RunTable) -> list[list[str]]:
    """Return a line an operation under `STEP_HEADINGS`."""
    return [
        [
            *(str(step.number), step.day.isoformat(), str(step.screws), str(step.breached)),
            *(f"{step.expected:.2f}", _signed(step.difference)),
            *(f"{step.worse:.2f}", f"{step.better:.2f}"),
            "late" if step.is_late else "-",
        ]
        for step in table.steps
    ]


def _signed(value: float) -> str:
    """Return a difference with its sign; none where it rounds to 0."""
    told = f"{value:+.1f}"
    return told if float(told) else "0.0"


def quarter_lines(table: RunTable) -> list[list[str]]:
    """Return a line a quarter under `QUARTER_HEADINGS`."""
    return [
        [
            *(quarter.name, str(quarter.row.graded), str(quarter.row.breached)),
            in_per_cent(Estimate(quarter.row.rate, quarter.row.low, quarter.row.high)),
            *(between(quarter.limits_95), between(quarter.limits_998)),
            in_per_cent(Estimate(quarter.average, quarter.average_low, quarter.average_high)),
        ]
        for quarter in table.quarters
    ]


def group_lines(table: RunTable) -> list[list[str]]:
    """Return a line a group under `GROUP_HEADINGS`."""
    return [
        [
            f"{group.first} to {group.last}",
            f"{group.start} to {group.end}",
            *(str(group.screws), str(group.breached)),
            in_per_cent(group.rate),
        ]
        for group in table.groups
    ]
