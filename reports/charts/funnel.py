"""A funnel plot: surgeons' rates at their effective screws, between the unit's lines."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from reports.charts import style
from reports.charts.rates import Chart
from reports.statistics.funnel import (
    ALARM,
    ALERT,
    funnel_limits,
    widened_additive,
    widened_multiplicative,
)
from reports.tables.rate_words import near_percent, percent, period_of
from reports.tables.surgeon_table import Position, Widening

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from reports.statistics.intervals import Interval
    from reports.tables.surgeon_table import SurgeonTable

    Place = tuple[float, float]

WIDTH, HEIGHT = 8.6, 4.9
_POINTS_OF_A_LINE = 160
_LEAST_EFFECTIVE = 5.0
_LETTER_WIDE, _LETTER_HIGH = 5.3, 8.0
_LABEL_PLACES = ((6, 4), (6, -11), (-6, 4), (-6, -11), (6, 14), (-6, 14), (6, -21), (-6, -21))
"""Of labels beside their points, in points of type; the first that is free is taken."""
_OWN_PLACE = 0.25
"""Across, where the effective screws are not told."""


def funnel_chart(table: SurgeonTable) -> Chart | None:
    """Return the chart with its text alternative; None where there is nothing to draw."""
    if table.target is None or not any(point.rate.value is not None for point in table.points):
        return None
    return Chart(svg=_drawn(table, table.target), alternative=alternative(table))


def alternative(table: SurgeonTable) -> str:
    """Return what the chart says, in words and numbers; no surgeon is named."""
    event = table.question.event.words()
    drawn = [point for point in table.points if point.position is not Position.NOT_DRAWN]
    said = (
        f"Funnel plot, {event}, {period_of(table.question)}: {len(drawn)} "
        f"{'surgeon' if len(drawn) == 1 else 'surgeons'} against the unit's rate of "
        f"{percent(table.target or 0.0)}%."
    )
    for position in Position:
        count = sum(point.position is position for point in drawn)
        if count and position is not Position.NOT_DRAWN:
            said += f" {count} {position}."
    if table.peers:
        near = ", ".join(near_percent(peer.rate) for peer in table.peers)
        said += f" Peers, in per cent and in no order: {near}."
    return f"{said} The same numbers stand in the table."


def _drawn(table: SurgeonTable, target: float) -> str:
    made, axes = style.figure(WIDTH, HEIGHT)
    shown = [point for point in table.points if point.rate.value is not None]
    sizes = [point.effective for point in shown if point.effective]
    with style.drawing():
        made.subplots_adjust(left=0.085, right=0.875, top=0.89, bottom=0.135)
        axes.spines["left"].set_visible(True)
        end = 1.12 * max([*sizes, 40.0])
        top = 0.0
        drawn: list[list[Place]] = []
        if sizes:
            top, drawn = _lines(axes, table, target, end)
        else:
            _own_lines(axes, table, end)
        axes.axhline(target, color=style.INK, linewidth=1.0)
        style.write_at_edge(axes, target, "unit")
        rates = [point.rate.value or 0.0 for point in shown]
        places = [(point.effective or end * _OWN_PLACE, point.rate.value or 0.0) for point in shown]
        for place in places:
            axes.plot(*place, "o", color=style.INK, markersize=6, markeredgecolor=style.PAPER,
                      zorder=3, clip_on=False)  # fmt: skip
        for number, peer in enumerate(table.peers, start=1):
            place = (end * (0.6 + 0.35 * number / len(table.peers)), peer.rate)
            axes.plot(*place, "o", color=style.PAPER, markersize=6, markeredgecolor=style.INK,
                      zorder=3)  # fmt: skip
            rates.append(peer.rate)
        if not sizes:
            rates += [point.limits_998.high for point in shown if point.limits_998]
        _scale(axes, max([*rates, min(top, 3 * target), 1.5 * target]), end)
        lines = [*drawn, [(0.0, target), (end, target)]]
        _label(axes, places, [point.code.removeprefix("surgeon ") for point in shown], lines)
        axes.set_xlabel("effective screws", loc="left")
        if not sizes:
            axes.set_xticks([])
            axes.set_xlabel(
                "own point with its lines as bars; rings, peers; across, nothing is told",
                loc="left",
            )
        event = table.question.event.words()
        made.text(0.02, 0.96, f"{event[0].upper()}{event[1:]} by surgeon, %", fontsize=11,
                  fontweight="bold", va="center")  # fmt: skip
    return style.svg(made)


def _label(
    axes: Axes,
    places: Sequence[Place],
    labels: Sequence[str],
    lines: Sequence[Sequence[Place]] = (),
) -> None:
    """Write each label beside its point: on no other label, point, line or edge if it can.

    `lines` are the broken lines that no label should be struck through by.
    """
    to_points = axes.transData.transform
    scale = 72 / axes.figure.dpi
    dots = [tuple(float(each) * scale for each in to_points(place)) for place in places]
    right_end = float(axes.transAxes.transform((1.0, 0.0))[0]) * scale
    bottom = float(axes.transAxes.transform((0.0, 0.0))[1]) * scale
    drawn = [[tuple(float(each) * scale for each in to_points(place)) for place in line]
             for line in lines]  # fmt: skip
    taken = [(x - 4, y - 4, x + 4, y + 4) for x, y in dots]
    for place, (x, y), label in zip(places, dots, labels, strict=True):
        wide = _LETTER_WIDE * len(label)
        boxes = []
        for right, up in _LABEL_PLACES:
            left = x + (right if right > 0 else right - wide)
            box = (left, y + up - 1, left + wide, y + up + _LETTER_HIGH)
            met = sum(_meet(box, other) for other in taken)
            outside = box[2] > right_end or box[1] < bottom
            struck = sum(_strikes(line, box) for line in drawn)
            boxes.append(((met, outside, struck), (right, up), box))
        _, best, box = min(boxes, key=lambda each: each[0])
        taken.append(box)
        axes.annotate(label, place, xytext=best, textcoords="offset points", fontsize=8,
                      ha="left" if best[0] > 0 else "right")  # fmt: skip


def _strikes(line: Sequence[Sequence[float]], box: Sequence[float]) -> bool:
    """Return whether a broken line goes through a box, or past it by less than a point."""
    left, low, right, high = box
    for (x1, y1), (x2, y2) in pairwise(line):
        if max(x1, x2) < left or min(x1, x2) > right:
            continue
        ends = [
            y1 + (min(max(x, min(x1, x2)), max(x1, x2)) - x1) * (y2 - y1) / ((x2 - x1) or 1.0)
            for x in (left, right)
        ]
        if max(ends) >= low - 1 and min(ends) <= high + 1:
            return True
    return False


def _meet(one: Sequence[float], other: Sequence[float]) -> bool:
    """Return whether two boxes (left, lower, right, upper) lie on one another."""
    return not (one[2] < other[0] or other[2] < one[0] or one[3] < other[1] or other[3] < one[1])


def _lines(
    axes: Axes, table: SurgeonTable, target: float, end: float
) -> tuple[float, list[list[Place]]]:
    """Draw both pairs of lines; return how high the outer ones are where points lie, and them."""
    across = np.geomspace(_LEAST_EFFECTIVE, end, _POINTS_OF_A_LINE)
    top = 0.0
    drawn: list[list[Place]] = []
    for level, dashes, name in ((ALERT, (4, 3), "95%"), (ALARM, (), "99.8%")):
        limits = [_limits(table, target, float(size), level) for size in across]
        for heights in ([each.low for each in limits], [each.high for each in limits]):
            line = axes.plot(across, heights, color=style.SOFT_INK, linewidth=1.2)[0]
            drawn.append(list(zip(map(float, across), heights, strict=True)))
            if dashes:
                line.set_dashes(dashes)
        style.write_at_edge(axes, limits[-1].high, name)
        top = limits[_POINTS_OF_A_LINE // 3].high
    return top, drawn


def _limits(table: SurgeonTable, target: float, size: float, level: float) -> Interval:
    limits = funnel_limits(target, size, level)
    if table.spread is None or not table.is_widened:
        return limits
    if table.widening is Widening.MULTIPLICATIVE:
        return widened_multiplicative(limits, target, table.spread)
    return widened_additive(limits, target, size, table.spread)


def _own_lines(axes: Axes, table: SurgeonTable, end: float) -> None:
    """Draw the limits at the one own point, whose number of effective screws is not told."""
    for point in table.points:
        for limits, width in ((point.limits_998, 1.2), (point.limits_95, 3.0)):
            if limits is not None:
                middle = end * _OWN_PLACE
                axes.plot([middle, middle], [limits.low, limits.high], color=style.SOFT_INK,
                          linewidth=width, solid_capstyle="butt", zorder=1)  # fmt: skip


def _scale(axes: Axes, top: float, end: float) -> None:
    step = next((each for each in style.TICK_STEPS if top * 1.08 <= 6 * each), style.TICK_STEPS[-1])
    high = min(1.0, step * -(-top * 1.08 // step)) or 0.05
    ticks = [step * number for number in range(round(high / step) + 1)]
    axes.set_yticks(ticks, [f"{100 * tick:.0f}" for tick in ticks])
    axes.set_ylim(-0.01 * high, high)
    axes.set_xlim(0, end)
    axes.grid(visible=True, axis="y", color=style.RULE, linewidth=0.7)
    axes.set_axisbelow(True)
