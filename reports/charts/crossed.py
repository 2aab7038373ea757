"""Rates by two splits drawn as dots with their intervals, in groups, and the same told in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports.charts import style
from reports.charts.rates import Chart, alternative
from reports.tables.rate_words import interval_words, percent, period_words, stratum_heading

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from reports.tables.crossed import Crossed
    from reports.tables.rates import RateRow

MOST_DRAWN = 80
"""Places with a rate that a chart can hold."""

# All in inches; a line keeps its height however many there are.
WIDTH, LINE, ABOVE, BELOW, RIGHT = 8.6, 0.24, 0.6, 0.8, 2.75
LETTER, LONGEST, CUT = 0.075, 34, 33


def is_drawn(found: Crossed) -> bool:
    """Return whether there is something to draw, and no more than can be read."""
    return 0 < sum(row.rate is not None for row in found.table.rows) <= MOST_DRAWN


def crossed_alternative(found: Crossed) -> str:
    """Return what the chart says, in words and numbers."""
    return alternative(found.table)


def crossed_chart(found: Crossed) -> Chart:
    """Return the chart of a crossed table, with its text alternative; empty where none is drawn."""
    return Chart(svg=style.svg(crossed_figure(found)), alternative=crossed_alternative(found))


def crossed_figure(found: Crossed) -> Figure:
    """Return the chart as a figure: a group a row of the table, a line a place with a rate."""
    lines = _lines(found) if is_drawn(found) else []
    height = ABOVE + LINE * max(len(lines), 1) + BELOW
    made, axes = style.figure(WIDTH, height)
    labels = [label for label, _ in lines]
    left = 0.3 + LETTER * max([len(label) for label in labels] + [8])
    with style.drawing():
        made.subplots_adjust(
            left=left / WIDTH,
            right=1 - RIGHT / WIDTH,
            top=1 - ABOVE / height,
            bottom=BELOW / height,
        )
        axes.set_ylim(max(len(lines), 1) - 0.5, -0.5)
        axes.set_yticks(range(len(labels)), labels)
        axes.tick_params(axis="y", length=0, labelcolor=style.INK)
        for text, (_, row) in zip(axes.get_yticklabels(), lines, strict=True):
            text.set_fontweight("bold" if row is None else "normal")
        _draw(axes, [(place, row) for place, (_, row) in enumerate(lines) if row is not None])
        _write(axes, lines, (WIDTH - left - RIGHT))
        _head(made, axes, found)
    return made


def _lines(found: Crossed) -> list[tuple[str, RateRow | None]]:
    """Return the lines from the top: the name of a group, then its places that have a rate."""
    lines: list[tuple[str, RateRow | None]] = []
    for down, name in found.rows:
        group = [
            (_cut(heading), row)
            for across, heading in found.columns
            if (row := found.cells.get((down, across))) is not None and row.rate is not None
        ]
        if group:
            lines += [(_cut(name), None), *group]
    return lines


def _cut(name: str) -> str:
    return name if len(name) <= LONGEST else f"{name[:CUT].rstrip()}…"


def _draw(axes: Axes, drawn: list[tuple[int, RateRow]]) -> None:
    """Draw every interval and dot, each kind at once."""
    places = [place for place, _ in drawn]
    rates = [row.rate or 0.0 for _, row in drawn]
    limits = [(place, row.low, row.high) for place, row in drawn
              if row.low is not None and row.high is not None]  # fmt: skip
    at, lows, highs = zip(*limits, strict=True) if limits else ((), (), ())
    axes.hlines(at, lows, highs, color=style.SOFT_INK, linewidth=1.6)
    for ends in (lows, highs):
        axes.vlines(
            ends, [place - 0.16 for place in at], [place + 0.16 for place in at],
            color=style.SOFT_INK, linewidth=1.2,
        )  # fmt: skip
    axes.plot(
        rates, places, "o", color=style.INK, markersize=5.5, markeredgecolor=style.PAPER,
        clip_on=False, zorder=3,
    )  # fmt: skip
    top = max([*rates, *highs], default=0.0) or 0.1
    style.per_cent_along(axes, top)


def _write(axes: Axes, lines: list[tuple[str, RateRow | None]], plot_width: float) -> None:
    """Write counts and rates at the right, with their heads."""
    across = axes.get_yaxis_transform()
    columns = (1 + 1.0 / plot_width, 1 + (RIGHT - 0.2) / plot_width)
    how: dict[str, Any] = {"transform": across, "ha": "right"}
    for column, text in zip(columns, ("screws", "% (interval)"), strict=True):
        axes.text(column, -0.6, text, va="bottom", color=style.SOFT_INK, **how)
    for place, (_, row) in enumerate(lines):
        if row is None:
            continue
        told = percent(row.rate or 0.0)
        if row.low is not None and row.high is not None:
            told = f"{told}  ({percent(row.low)} to {percent(row.high)})"
        for column, text in zip(columns, (f"{row.breached} of {row.graded}", told), strict=True):
            axes.text(column, place, text, va="center", **how)


def _head(made: Figure, axes: Axes, found: Crossed) -> None:
    """Write title, the axis's name and the foot."""
    event = found.table.question.event.words()
    split = " and ".join(stratum_heading(part) for part in found.table.question.by)
    title = f"{event[0].upper()}{event[1:]}, by {split}"
    height = made.get_figheight()
    made.text(0.02, 1 - 0.22 / height, title, fontsize=11, fontweight="bold", va="center")
    axes.set_xlabel("graded screws with such a breach, %", loc="left")
    made.text(
        0.02, 0.12 / height, f"{interval_words(found.table)}; {period_words(found.table)}.",
        fontsize=8, color=style.SOFT_INK, va="bottom",
    )  # fmt: skip
