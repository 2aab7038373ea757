"""Numbers with their intervals, a line each, about an upright line that means no difference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.charts import style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from reports.statistics.estimate import Estimate

# In inches; a line keeps its height however many there are.
WIDTH, LINE, ABOVE, BELOW = 8.6, 0.29, 0.72, 0.72
RIGHT, LETTER = 1.9, 0.075


@dataclass(frozen=True)
class Drawn:
    """One line.

    Attributes
    ----------
    label : at the left
    estimate : without a value nothing is drawn
    words : at the right, in soft ink without a value
    """

    label: str
    estimate: Estimate
    words: str


@dataclass(frozen=True)
class Axis:
    """What the lines are drawn along.

    Attributes
    ----------
    title : of the chart
    name : of the axis
    foot : a small line below
    middle : where the upright line stands
    low, high : ends
    ticks : places and what is written there
    """

    title: str
    name: str
    foot: str
    middle: float
    low: float
    high: float
    ticks: Sequence[tuple[float, str]]


def forest(lines: Sequence[Drawn], axis: Axis) -> Figure:
    """Return the figure, lines in their order from the top."""
    count = max(len(lines), 1)
    height = ABOVE + LINE * count + BELOW
    made, axes = style.figure(WIDTH, height)
    left = 0.25 + LETTER * max([len(line.label) for line in lines] + [8])
    with style.drawing():
        made.subplots_adjust(
            left=left / WIDTH,
            right=1 - RIGHT / WIDTH,
            top=1 - ABOVE / height,
            bottom=BELOW / height,
        )
        axes.set_ylim(count - 0.5, -0.5)
        axes.set_yticks(range(len(lines)), [line.label for line in lines])
        axes.tick_params(axis="y", length=0, labelcolor=style.INK)
        axes.set_xlim(axis.low, axis.high)
        axes.set_xticks([place for place, _ in axis.ticks], [text for _, text in axis.ticks])
        axes.grid(visible=True, axis="x", color=style.RULE, linewidth=0.7)
        axes.set_axisbelow(True)
        axes.axvline(axis.middle, color=style.INK, linewidth=1.0)
        column = 1 + (RIGHT - 0.2) / (WIDTH - left - RIGHT)
        for place, line in enumerate(lines):
            _draw(axes, place, line, column)
        made.text(0.02, 1 - 0.22 / height, axis.title, fontsize=11, fontweight="bold", va="center")
        axes.set_xlabel(axis.name, loc="left")
        made.text(
            0.02, 0.1 / height, axis.foot, fontsize=8, color=style.SOFT_INK, va="bottom"
        )  # fmt: skip
    return made


def _draw(axes: Axes, place: int, line: Drawn, column: float) -> None:
    """Draw a line's interval and dot, as far as they lie on the axis, and its words."""
    across = axes.get_yaxis_transform()
    found = line.estimate
    ink = style.SOFT_INK if found.value is None else style.INK
    axes.text(column, place, line.words, transform=across, ha="right", va="center", color=ink)
    if found.value is None:
        return
    if found.low is not None and found.high is not None:
        axes.plot([found.low, found.high], [place, place], color=style.SOFT_INK, linewidth=1.6)
        for limit in (found.low, found.high):
            ends = [place - 0.16, place + 0.16]
            axes.plot([limit, limit], ends, color=style.SOFT_INK, linewidth=1.2)
    if axes.get_xlim()[0] <= found.value <= axes.get_xlim()[1]:
        axes.plot(
            [found.value], [place], "o", color=style.INK, markersize=6,
            markeredgecolor=style.PAPER, clip_on=False, zorder=3,
        )  # fmt: skip
