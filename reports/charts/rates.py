"""Rates drawn as dots with their intervals, a row a stratum, and the same told in words."""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import shorten
from typing import TYPE_CHECKING

from reports.charts import style
from reports.tables.rate_words import interval_words, percent, period_words, stratum_heading
from reports.tables.splits import PERSONS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from reports.tables.rates import RateRow, RateTable

# All in inches; a row keeps its height however many there are.
WIDTH, ROW, ABOVE, BELOW = 8.6, 0.29, 0.78, 0.8
COUNT_COLUMN, RATE_COLUMN, MARGIN = 1.15, 1.5, 0.2
LETTER, LONGEST_LABEL = 0.078, 42
TICK_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.25)


@dataclass(frozen=True)
class Chart:
    """A picture and what it says.

    Attributes
    ----------
    svg : a whole SVG document
    alternative : one to three sentences with the numbers, for who cannot see it
    """

    svg: str
    alternative: str


def rates_chart(table: RateTable) -> Chart:
    """Return the chart of a rate table, with its text alternative."""
    return Chart(svg=style.svg(rates_figure(table)), alternative=alternative(table))


def rates_figure(table: RateTable) -> Figure:
    """Return the chart as a figure, rows in the table's order from the top."""
    rows = table.rows
    height = ABOVE + ROW * max(len(rows), 1) + BELOW
    made, axes = style.figure(WIDTH, height)
    labels = [_short_label(row) for row in rows]
    left = 0.25 + LETTER * max([len(label) for label in labels] + [8])
    right = COUNT_COLUMN + RATE_COLUMN + MARGIN
    with style.drawing():
        made.subplots_adjust(
            left=left / WIDTH,
            right=1 - right / WIDTH,
            top=1 - ABOVE / height,
            bottom=BELOW / height,
        )
        axes.set_ylim(max(len(rows), 1) - 0.5, -0.5)
        axes.set_yticks(range(len(rows)), labels)
        axes.tick_params(axis="y", length=0, labelcolor=style.INK)
        _scale(axes, rows)
        plot_width = WIDTH - left - right
        columns = (1 + COUNT_COLUMN / plot_width, 1 + (right - MARGIN) / plot_width)
        for place, row in enumerate(rows):
            _draw_row(axes, place, row, columns)
        _head(axes, table, columns, made)
    return made


def alternative(table: RateTable) -> str:
    """Return what the chart says, in words and numbers."""
    asked = table.question
    event = asked.event.words()
    opening = f"{event[0].upper()}{event[1:]}, {period_words(table)}"
    if not any(row.graded for row in table.rows):
        return f"{opening}: no graded screws."
    if not asked.by:
        return f"{opening}: {_told(table.rows[0])}. {interval_words(table)}."
    shown = [row for row in table.rows if row.rate is not None]
    few = len(table.rows) - len(shown)
    split = " and ".join(stratum_heading(part) for part in asked.by)
    said = [f"{opening}, by {split}."]
    if shown:
        said += _findings(shown, names_rows=not PERSONS & set(asked.by))
        said.append(f"{interval_words(table)}; rates whose intervals overlap may not differ.")
    if few and asked.minimum:
        said.append(
            f"Rows with fewer than {asked.minimum} graded screws, counts only: "
            f"{few} of {len(table.rows)}."
        )
    return " ".join(said)


def _findings(shown: list[RateRow], *, names_rows: bool) -> list[str]:
    """Return the rows to tell: all of a few, else where the rate is lowest and highest.

    People are never told as first or last: of them the span alone.
    """
    lowest = min(shown, key=lambda row: (row.rate, -row.graded))
    highest = max(shown, key=lambda row: (row.rate, row.graded))
    if names_rows:
        told = shown if len(shown) <= 3 else [lowest, highest]  # noqa: PLR2004 - can be listened to
        return [f"{_label(row)}: {_told(row)}." for row in told]
    span = (percent(row.rate) for row in (lowest, highest) if row.rate is not None)
    return [f"Rates of {len(shown)} rows, from {'% to '.join(span)}%."]


def _told(row: RateRow) -> str:
    """Return a row's counts, with its rate and interval where it has one."""
    counts = f"{row.breached} of {row.graded} graded screws in {row.patients} patients"
    if row.rate is None or row.low is None or row.high is None:
        return counts
    return f"{percent(row.rate)}% ({counts}), interval {percent(row.low)}% to {percent(row.high)}%"


def _label(row: RateRow) -> str:
    """Return the stratum in a line."""
    return ", ".join(row.stratum.values()) or "all screws"


def _short_label(row: RateRow) -> str:
    """Return the stratum in as much of a line as the chart has, each part of it in its share."""
    label = _label(row)
    if len(label) <= LONGEST_LABEL:
        return label
    share = LONGEST_LABEL // len(row.stratum)
    return ", ".join(shorten(part, share, placeholder=" ...") for part in row.stratum.values())


def _scale(axes: Axes, rows: tuple[RateRow, ...]) -> None:
    """Set the axis from 0 to just past the highest limit, with few round ticks in per cent."""
    top = max((row.high for row in rows if row.high is not None), default=0.1)
    step = next((step for step in TICK_STEPS if top <= 6 * step), TICK_STEPS[-1])
    end = min(1.0, step * -(-top // step))
    ticks = [step * number for number in range(round(end / step) + 1)]
    axes.set_xlim(-0.005 * end, end * 1.01)
    axes.set_xticks(ticks, [f"{100 * tick:.0f}" for tick in ticks])
    axes.grid(visible=True, axis="x", color=style.RULE, linewidth=0.7)
    axes.set_axisbelow(True)


def _draw_row(axes: Axes, place: int, row: RateRow, columns: tuple[float, float]) -> None:
    """Draw a stratum: its interval and dot, its counts at the right; counts alone when few."""
    across = axes.get_yaxis_transform()
    axes.text(
        columns[0], place, f"{row.breached} of {row.graded}", transform=across, ha="right",
        va="center",
    )  # fmt: skip
    if row.rate is None or row.low is None or row.high is None:
        absent = "counts only" if row.graded else "none graded"
        axes.text(
            columns[1], place, absent, transform=across, ha="right", va="center",
            color=style.SOFT_INK, style="italic",
        )  # fmt: skip
        return
    axes.plot([row.low, row.high], [place, place], color=style.SOFT_INK, linewidth=1.6)
    for limit in (row.low, row.high):
        axes.plot([limit, limit], [place - 0.16, place + 0.16], color=style.SOFT_INK, linewidth=1.2)
    axes.plot(
        [row.rate], [place], "o", color=style.INK, markersize=6, markeredgecolor=style.PAPER,
        clip_on=False, zorder=3,
    )  # fmt: skip
    axes.text(
        columns[1],
        place,
        f"{percent(row.rate)}  ({percent(row.low)} to {percent(row.high)})",
        transform=across,
        ha="right",
        va="center",
    )


def _head(axes: Axes, table: RateTable, columns: tuple[float, float], made: Figure) -> None:
    """Write title, column heads and the axis's name."""
    asked = table.question
    event = asked.event.words()
    split = " and ".join(stratum_heading(part) for part in asked.by)
    title = f"{event[0].upper()}{event[1:]}{', by ' + split if split else ''}"
    height = made.get_figheight()
    made.text(0.02, 1 - 0.22 / height, title, fontsize=11, fontweight="bold", va="center")
    across = axes.get_yaxis_transform()
    for column, text in zip(columns, ("screws", "% (interval)"), strict=True):
        axes.text(
            column, -0.75, text, transform=across, ha="right", va="bottom", color=style.SOFT_INK
        )
    axes.set_xlabel("graded screws with such a breach, %", loc="left")
    made.text(
        0.02, 0.12 / height, f"{interval_words(table)}; {period_words(table)}.", fontsize=8,
        color=style.SOFT_INK, va="bottom",
    )  # fmt: skip
