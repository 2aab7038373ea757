"""Differences drawn as dots with their intervals about no difference, and told in words."""

from __future__ import annotations

from textwrap import shorten
from typing import TYPE_CHECKING

from reports.charts import style
from reports.charts.forest import Axis, Drawn, forest
from reports.charts.rates import Chart
from reports.statistics.estimate import Estimate
from reports.tables.compare_words import name_of, sentence
from reports.tables.rate_words import stratum_heading

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from reports.tables.compare import ComparisonTable, Pair

LONGEST_NAME = 24
TICK_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5)
MOST_TOLD = 3


def comparison_chart(table: ComparisonTable) -> Chart:
    """Return the chart of a comparison, with its text alternative."""
    return Chart(svg=style.svg(comparison_figure(table)), alternative=alternative(table))


def comparison_figure(table: ComparisonTable) -> Figure:
    """Return the chart as a figure, pairs in the table's order from the top."""
    event = table.asked.counting.event.words()
    ends, ticks = _scale(table.pairs)
    axis = Axis(
        title=f"{event[0].upper()}{event[1:]}, by {stratum_heading(table.asked.split)}",
        name="difference of the rates, percentage points",
        foot="An association, not an effect.",
        middle=0.0,
        low=-ends,
        high=ends,
        ticks=ticks,
    )
    return forest([_drawn(pair) for pair in table.pairs], axis)


def alternative(table: ComparisonTable) -> str:
    """Return what the chart says, in words and numbers."""
    pairs = table.pairs
    opening = f"Differences of rates by {stratum_heading(table.asked.split)}"
    told = [pair for pair in pairs if pair.compared]
    if not told:
        return f"{opening}: none can be told."
    if len(told) <= MOST_TOLD:
        return f"{opening}. {' '.join(sentence(pair) for pair in told)}"
    apart = [pair for pair in told if _leaves_out(pair)]
    names = "; ".join(_label(pair) for pair in apart)
    return (
        f"{opening}: {len(told)} with their intervals. 0 lies outside the interval of "
        f"{len(apart)}{': ' + names if apart else ''}. The table and the sentences hold each."
    )


def _leaves_out(pair: Pair) -> bool:
    found = _difference(pair)
    return found.low is not None and found.high is not None and not found.low <= 0 <= found.high


def _difference(pair: Pair) -> Estimate:
    assert pair.compared is not None  # noqa: S101 - asked only of pairs that were compared
    return pair.compared.difference


def _label(pair: Pair) -> str:
    names = (shorten(name_of(row), LONGEST_NAME, placeholder=" ...") for row in (pair.a, pair.b))
    return " less ".join(names)


def _scale(pairs: tuple[Pair, ...]) -> tuple[float, list[tuple[float, str]]]:
    """Return how far the axis goes to both sides, and few round ticks in points."""
    found = [_difference(pair) for pair in pairs if pair.compared]
    limits = [abs(end) for each in found for end in (each.low, each.high) if end is not None]
    widest = max(limits, default=0.0) or 0.1
    step = next((step for step in TICK_STEPS if widest <= 4 * step), TICK_STEPS[-1])
    end = min(1.0, step * -(-widest // step))
    count = round(end / step)
    places = [step * number for number in range(-count, count + 1)]
    return end * 1.02, [(place, f"{100 * place:.0f}") for place in places]


def _drawn(pair: Pair) -> Drawn:
    if pair.compared is None:
        return Drawn(_label(pair), Estimate(), "too few")
    found = _difference(pair)
    parts = (found.value or 0.0, found.low or 0.0, found.high or 0.0)
    points = [f"{100 * part:+.1f}" for part in parts]
    return Drawn(_label(pair), found, f"{points[0]}  ({points[1]} to {points[2]})")
