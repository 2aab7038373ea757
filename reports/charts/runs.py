"""A run drawn: observed minus expected, the two sequential charts, the quarters, the groups."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from reports.charts import style
from reports.charts.rates import Chart
from reports.tables.rate_words import percent
from reports.tables.run_words import chart_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from reports.statistics.estimate import Estimate
    from reports.tables.run_table import RunTable

WIDTH, HEIGHT = 8.6, 3.3
_LEFT, _RIGHT, _TOP, _BOTTOM = 0.085, 0.9, 0.87, 0.16


def difference_chart(table: RunTable) -> Chart:
    """Return observed minus expected by day."""
    last = table.steps[-1]
    made, axes = style.figure(WIDTH, HEIGHT)
    with style.drawing():
        days = _days(axes, table)
        axes.axhline(0, color=style.INK, linewidth=1.0)
        heights = [step.difference for step in table.steps]
        axes.step(days, heights, where="post", color=style.INK, linewidth=1.4)
        _mark_late(axes, table, days, heights)
        _frame(axes, "Observed minus expected breaches, by day")
    return Chart(
        svg=style.svg(made),
        alternative=(
            f"Observed minus expected breaches over {len(table.steps)} operations from "
            f"{table.steps[0].day} to {last.day}: highest {max(heights):.1f}, lowest "
            f"{min(heights):.1f}, at the end {last.difference:.1f}. Rising means more than "
            "expected."
        ),
    )


def sequential_chart(table: RunTable) -> Chart:
    """Return the two sequential charts, worse upwards and better downwards, with their limits."""
    made, axes = style.figure(WIDTH, HEIGHT + 0.5)
    with style.drawing():
        days = _days(axes, table)
        axes.axhline(0, color=style.INK, linewidth=0.8)
        for chart, sign, name in ((table.worse, 1, "worse"), (table.better, -1, "better")):
            heights = [sign * (step.worse if sign > 0 else step.better) for step in table.steps]
            axes.step(days, heights, where="post", color=style.INK, linewidth=1.4)
            for number in chart.signals:
                axes.plot(days[number - 1], heights[number - 1], "D", color=style.INK,
                          markersize=6, zorder=3)  # fmt: skip
            if chart.limit:
                axes.axhline(sign * chart.limit.limit, color=style.SOFT_INK, linewidth=1.2,
                             dashes=(4, 3))  # fmt: skip
                style.write_at_edge(axes, sign * chart.limit.limit, f"limit, {name}")
            if sign > 0:
                _mark_late(axes, table, days, heights)
        _frame(axes, "Sequential chart: up for doubled odds, down for halved odds")
        axes.set_yticks(axes.get_yticks(), [f"{abs(tick):g}" for tick in axes.get_yticks()])
    said = " ".join(chart_words(chart) for chart in (table.worse, table.better))
    return Chart(svg=style.svg(made), alternative=f"Two sequential charts by day. {said}")


def quarter_chart(table: RunTable) -> Chart:
    """Return the quarters' rates with the funnel's limits and the moving average."""
    made, axes = style.figure(WIDTH, HEIGHT)
    quarters = table.quarters
    with style.drawing():
        places = range(len(quarters))
        axes.axhline(table.target or 0.0, color=style.INK, linewidth=1.0)
        style.write_at_edge(axes, table.target or 0.0, "target")
        for place, quarter in enumerate(quarters):
            for limits, colour, width in (
                (quarter.limits_998, style.SOFT_INK, 1.2),
                (quarter.limits_95, _WIDE_BAR, 4.5),
            ):
                if limits:
                    axes.plot([place, place], [limits.low, limits.high], color=colour,
                              linewidth=width, solid_capstyle="butt")  # fmt: skip
            if quarter.row.rate is not None:
                axes.plot(place, quarter.row.rate, "o", color=style.INK, markersize=6, zorder=4,
                          clip_on=False)  # fmt: skip
        averages = [quarter.average or 0.0 for quarter in quarters]
        axes.plot(places, averages, color=style.SOFT_INK, linewidth=1.2, dashes=(2, 2), zorder=3)
        axes.set_xticks(places, [quarter.name for quarter in quarters],
                        rotation=45 if len(quarters) > _UPRIGHT else 0)  # fmt: skip
        highest = [q.limits_998.high for q in quarters if q.limits_998]
        rates = [q.row.rate for q in quarters if q.row.rate is not None]
        _per_cent(axes, max([*rates, *highest, 0.02]))
        _frame(axes, "Rate by quarter, %", tall=len(quarters) > _UPRIGHT)
    beyond = [
        quarter.name
        for quarter in quarters
        if quarter.row.rate is not None
        and quarter.limits_998
        and not quarter.limits_998.low <= quarter.row.rate <= quarter.limits_998.high
    ]
    told = ", ".join(
        f"{quarter.name} {percent(quarter.row.rate)}"
        for quarter in quarters
        if quarter.row.rate is not None
    )
    return Chart(
        svg=style.svg(made),
        alternative=(
            f"Rate by quarter in per cent: {told or 'none with enough screws'}; beyond the 99.8% "
            f"limits: {', '.join(beyond) or 'none'}. Target {percent(table.target or 0.0)}."
        ),
    )


def group_chart(table: RunTable) -> Chart:
    """Return the rates of successive patients with their intervals."""
    made, axes = style.figure(WIDTH, HEIGHT)
    groups = table.groups
    with style.drawing():
        for place, group in enumerate(groups):
            _interval(axes, place, group.rate)
        if table.target is not None:
            axes.axhline(table.target, color=style.INK, linewidth=1.0)
            style.write_at_edge(axes, table.target, "target")
        names = [f"{each.first}-{each.last}" for each in groups]
        is_aslant = sum(map(len, names)) > _ABREAST
        axes.set_xticks(range(len(groups)), names, rotation=45 if is_aslant else 0)
        axes.set_xlabel("patients, in the order of their first operation", loc="left")
        _per_cent(axes, max([each.rate.high or 0.0 for each in groups] + [0.02]))
        _frame(axes, "Learning curve: rate of successive patients, %", tall=is_aslant)
    told = "; ".join(
        f"patients {each.first} to {each.last} {percent(each.rate.value)}"
        for each in groups
        if each.rate.value is not None
    )
    return Chart(
        svg=style.svg(made),
        alternative=f"Rate of successive patients in per cent: {told or 'too few screws'}.",
    )


_MONTHS_APART, _MOST_TICKS = (1, 3, 6, 12, 24, 60), 8
_WIDE_BAR = "#b4b4b4"
_UPRIGHT = 10
"""More quarters than this are written aslant."""
_ABREAST = 84
"""So many letters of the groups' names have room beside one another."""


def _interval(axes: Axes, place: int, rate: Estimate) -> None:
    if rate.value is None:
        return
    if rate.low is not None and rate.high is not None:
        axes.plot([place, place], [rate.low, rate.high], color=style.SOFT_INK, linewidth=1.6)
    axes.plot(place, rate.value, "o", color=style.INK, markersize=6, zorder=3, clip_on=False)


def _days(axes: Axes, table: RunTable) -> list[float]:
    """Return the days as places across, and label the first days of months."""
    first, last = table.steps[0].day, table.steps[-1].day
    months = 12 * (last.year - first.year) + last.month - first.month + 1
    apart = next((each for each in _MONTHS_APART if months <= _MOST_TICKS * each), 120)
    start = 12 * first.year + first.month - 1
    begun = [each for each in range(start, start + months + 1) if each % apart == 0]
    ticks = [date(each // 12, each % 12 + 1, 1) for each in begun]
    axes.set_xticks([each.toordinal() for each in ticks], [f"{each:%Y-%m}" for each in ticks])
    axes.set_xlim(first.toordinal() - 2, max(last.toordinal(), first.toordinal() + 27) + 2)
    return [float(step.day.toordinal()) for step in table.steps]


def _mark_late(
    axes: Axes, table: RunTable, days: Sequence[float], heights: Sequence[float]
) -> None:
    """Mark the operations with a late grade by an empty ring."""
    late = [place for place, step in enumerate(table.steps) if step.is_late]
    axes.plot([days[place] for place in late], [heights[place] for place in late], "o",
              color=style.PAPER, markeredgecolor=style.INK, markersize=5, zorder=3)  # fmt: skip


def _per_cent(axes: Axes, top: float) -> None:
    step = next((each for each in style.TICK_STEPS if top * 1.05 <= 6 * each), style.TICK_STEPS[-1])
    high = min(1.0, step * -(-top * 1.05 // step))
    ticks = [step * number for number in range(round(high / step) + 1)]
    axes.set_yticks(ticks, [f"{100 * tick:.0f}" for tick in ticks])
    axes.set_ylim(-0.01 * high, high)


def _frame(axes: Axes, title: str, *, tall: bool = False) -> None:
    axes.spines["left"].set_visible(True)
    axes.grid(visible=True, axis="y", color=style.RULE, linewidth=0.7)
    axes.set_axisbelow(True)
    axes.set_title(title, loc="left", fontsize=11, fontweight="bold", pad=10)
    bottom = _BOTTOM + (0.08 if tall else 0.0)
    axes.figure.subplots_adjust(left=_LEFT, right=_RIGHT, top=_TOP, bottom=bottom)
