"""Differences drawn as dots with their intervals about no difference, and told in words."""

from __future__ import annotations

from textwrap import shorten
from typing import TYPE_CHECKING

from reports.charts import style
from reports.charts.rates import Chart
from reports.tables.compare_words import name_of, sentence
from reports.tables.rate_words import stratum_heading

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from reports.statistics.estimate import Estimate
    from reports.tables.compare import ComparisonTable, Pair

# In inches; a row keeps its height however many there are.
WIDTH, ROW, ABOVE, BELOW = 8.6, 0.29, 0.72, 0.72
RIGHT, LETTER, LONGEST_NAME = 1.9, 0.075, 24
TICK_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5)
MOST_TOLD = 3


def comparison_chart(table: ComparisonTable) -> Chart:
    """Return the chart of a comparison, with its text alternative."""
    return Chart(svg=style.svg(comparison_figure(table)), alternative=alternative(table))


def comparison_figure(table: ComparisonTable) -> Figure:
    """Return the chart as a figure, pairs in the table's order from the top."""
    pairs = table.pairs
    lines = max(len(pairs), 1)
    height = ABOVE + ROW * lines + BELOW
    made, axes = style.figure(WIDTH, height)
    labels = [_label(pair) for pair in pairs]
    left = 0.25 + LETTER * max([len(label) for label in labels] + [8])
    with style.drawing():
        made.subplots_adjust(
            left=left / WIDTH,
            right=1 - RIGHT / WIDTH,
            top=1 - ABOVE / height,
            bottom=BELOW / height,
        )
        axes.set_ylim(lines - 0.5, -0.5)
        axes.set_yticks(range(len(labels)), labels)
        axes.tick_params(axis="y", length=0, labelcolor=style.INK)
        _scale(axes, pairs)
        axes.axvline(0.0, color=style.INK, linewidth=1.0)
        for place, pair in enumerate(pairs):
            _draw(axes, place, pair, 1 + (RIGHT - 0.2) / (WIDTH - left - RIGHT))
        event = table.asked.counting.event.words()
        title = f"{event[0].upper()}{event[1:]}, by {stratum_heading(table.asked.split)}"
        made.text(0.02, 1 - 0.22 / height, title, fontsize=11, fontweight="bold", va="center")
        axes.set_xlabel("difference of the rates, percentage points", loc="left")
        made.text(
            0.02, 0.1 / height, "An association, not an effect.", fontsize=8,
            color=style.SOFT_INK, va="bottom",
        )  # fmt: skip
    return made


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


def _scale(axes: Axes, pairs: tuple[Pair, ...]) -> None:
    """Set the axis about no difference, with few round ticks in points."""
    found = [_difference(pair) for pair in pairs if pair.compared]
    ends = [abs(end) for each in found for end in (each.low, each.high) if end is not None]
    widest = max(ends, default=0.0) or 0.1
    step = next((step for step in TICK_STEPS if widest <= 4 * step), TICK_STEPS[-1])
    end = min(1.0, step * -(-widest // step))
    count = round(end / step)
    ticks = [step * number for number in range(-count, count + 1)]
    axes.set_xlim(-end * 1.02, end * 1.02)
    axes.set_xticks(ticks, [f"{100 * tick:.0f}" for tick in ticks])
    axes.grid(visible=True, axis="x", color=style.RULE, linewidth=0.7)
    axes.set_axisbelow(True)


def _draw(axes: Axes, place: int, pair: Pair, column: float) -> None:
    """Draw a pair and write its numbers at the right."""
    across = axes.get_yaxis_transform()
    if pair.compared is None:
        axes.text(
            column, place, "too few", transform=across, ha="right", va="center",
            color=style.SOFT_INK, style="italic",
        )  # fmt: skip
        return
    found = _difference(pair)
    if found.value is None or found.low is None or found.high is None:  # pragma: no cover
        return
    axes.plot([found.low, found.high], [place, place], color=style.SOFT_INK, linewidth=1.6)
    for limit in (found.low, found.high):
        axes.plot([limit, limit], [place - 0.16, place + 0.16], color=style.SOFT_INK, linewidth=1.2)
    axes.plot(
        [found.value], [place], "o", color=style.INK, markersize=6, markeredgecolor=style.PAPER,
        clip_on=False, zorder=3,
    )  # fmt: skip
    points = [f"{100 * part:+.1f}" for part in (found.value, found.low, found.high)]
    text = f"{points[0]}  ({points[1]} to {points[2]})"
    axes.text(column, place, text, transform=across, ha="right", va="center")
