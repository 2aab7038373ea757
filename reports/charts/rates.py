"""Rates drawn as dots with their intervals, a row a stratum, and the same told in words."""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import shorten
from typing import TYPE_CHECKING

from reports.charts import style
from reports.tables.rate_words import (
    interval_words,
    near_percent,
    percent,
    period_words,
    stratum_heading,
)
from reports.tables.splits import PERSONS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.text import Text

    from reports.tables.rates import RateRow, RateTable

# All in inches; a row keeps its height however many there are.
WIDTH, ROW, ABOVE, BELOW = 8.6, 0.29, 0.78, 0.8
COUNT_COLUMN, RATE_COLUMN, MARGIN = 1.15, 1.5, 0.2
LETTER, LONGEST_LABEL = 0.078, 42


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
    rows, peers = table.rows, table.peers
    lines = max(len(rows) + len(peers), 1)
    height = ABOVE + ROW * lines + BELOW
    made, axes = style.figure(WIDTH, height)
    labels = [*(_short_label(row) for row in rows), *(peer.code for peer in peers)]
    left = 0.25 + LETTER * max([len(label) for label in labels] + [8])
    right = COUNT_COLUMN + RATE_COLUMN + MARGIN
    with style.drawing():
        made.subplots_adjust(
            left=left / WIDTH,
            right=1 - right / WIDTH,
            top=1 - ABOVE / height,
            bottom=BELOW / height,
        )
        axes.set_ylim(lines - 0.5, -0.5)
        axes.set_yticks(range(len(labels)), labels)
        axes.tick_params(axis="y", length=0, labelcolor=style.INK)
        _scale(axes, table)
        plot_width = WIDTH - left - right
        columns = (1 + COUNT_COLUMN / plot_width, 1 + (right - MARGIN) / plot_width)
        for place, row in enumerate(rows):
            _draw_row(axes, place, row, columns)
        for place, peer in enumerate(peers, len(rows)):
            _draw_dot(axes, place, peer.rate, style.PAPER)
            _write(axes, columns[1], place, near_percent(peer.rate))
        _head(axes, table, columns, made)
    return made


def alternative(table: RateTable) -> str:
    """Return what the chart says, in words and numbers."""
    asked = table.question
    event = asked.event.words()
    opening = f"{event[0].upper()}{event[1:]}, {period_words(table)}"
    if not any(row.graded for row in table.rows) and not table.peers:
        nothing = "nothing that may be shown" if table.withheld else "no graded screws"
        return f"{opening}: {nothing}."
    if not asked.by:
        return f"{opening}: {_told(table.rows[0])}. {interval_words(table)}."
    shown = [row for row in table.rows if row.rate is not None]
    few = len(table.rows) - len(shown)
    split = " and ".join(stratum_heading(part) for part in asked.by)
    said = [f"{opening}, by {split}."]
    if shown:
        said += _findings(shown, names_rows=not PERSONS & set(asked.by))
        said.append(f"{interval_words(table)}; rates whose intervals overlap may not differ.")
    if table.peers:
        near = ", ".join(near_percent(peer.rate) for peer in table.peers)
        said.append(f"Peers, in per cent and in no order: {near}.")
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
    """Return a row's counts, with its rate and interval where it has them."""
    counts = f"{row.breached} of {row.graded} graded screws in {row.patients} patients"
    if row.rate is None:
        return counts
    told = f"{percent(row.rate)}% ({counts})"
    if row.low is None or row.high is None:
        return told
    return f"{told}, interval {percent(row.low)}% to {percent(row.high)}%"


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


def _scale(axes: Axes, table: RateTable) -> None:
    """Set the axis from 0 to just past the highest limit, with few round ticks in per cent."""
    found = [part for row in table.rows for part in (row.rate, row.high) if part is not None]
    top = max([*found, *(peer.rate for peer in table.peers)], default=0.0) or 0.1
    style.per_cent_along(axes, top)


def _draw_row(axes: Axes, place: int, row: RateRow, columns: tuple[float, float]) -> None:
    """Draw a stratum: its interval and dot, its counts at the right; counts alone when few."""
    _write(axes, columns[0], place, f"{row.breached} of {row.graded}")
    if row.rate is None:
        absent = "counts only" if row.graded else "none graded"
        _write(axes, columns[1], place, absent).set(color=style.SOFT_INK, style="italic")
        return
    told = percent(row.rate)
    if row.low is not None and row.high is not None:
        told = f"{told}  ({percent(row.low)} to {percent(row.high)})"
        axes.plot([row.low, row.high], [place, place], color=style.SOFT_INK, linewidth=1.6)
        for limit in (row.low, row.high):
            ends = [place - 0.16, place + 0.16]
            axes.plot([limit, limit], ends, color=style.SOFT_INK, linewidth=1.2)
    _draw_dot(axes, place, row.rate, style.INK)
    _write(axes, columns[1], place, told)


def _draw_dot(axes: Axes, place: int, rate: float, fill: str) -> None:
    """Draw a rate, full or empty."""
    edge = style.PAPER if fill == style.INK else style.INK
    axes.plot(
        [rate], [place], "o", color=fill, markersize=6, markeredgecolor=edge, clip_on=False,
        zorder=3,
    )  # fmt: skip


def _write(axes: Axes, column: float, place: int, text: str) -> Text:
    """Write in a column at the right."""
    across = axes.get_yaxis_transform()
    return axes.text(column, place, text, transform=across, ha="right", va="center")


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
