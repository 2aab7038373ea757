"""The spine as a column from cranial to caudal: medial rates to the left, lateral to the right."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts import style
from reports.charts.rates import Chart
from reports.tables.rate_words import interval_words, percent, period_words
from reports.tables.splits import Split

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reports.tables.rates import RateRow, RateTable

# All in inches; a row keeps its height however many there are.
WIDTH, ROW, ABOVE, BELOW = 8.6, 0.27, 0.95, 0.75
_COLUMN, _MARGIN = 1.15, 0.15
_GAP = 0.16
"""The column of levels, as a share of either half."""
_MOST_TOLD = 3


def levels_chart(medial: RateTable, lateral: RateTable) -> Chart | None:
    """Return the chart of two tables by level, of one period; None where nothing is graded.

    Levels without a graded screw are left out.
    """
    graded = {row.stratum[Split.LEVEL] for table in (medial, lateral) for row in table.rows
              if row.graded}  # fmt: skip
    levels = [level for row in medial.rows if (level := row.stratum[Split.LEVEL]) in graded]
    if not levels:
        return None
    return Chart(svg=_drawn(medial, lateral, levels), alternative=_told(medial, lateral))


def _drawn(medial: RateTable, lateral: RateTable, levels: list[str]) -> str:
    height = ABOVE + ROW * len(levels) + BELOW
    made, axes = style.figure(WIDTH, height)
    end, ticks = _scale([*medial.rows, *lateral.rows])
    gap = _GAP * end
    with style.drawing():
        made.subplots_adjust(
            left=(_COLUMN + _MARGIN) / WIDTH,
            right=1 - (_COLUMN + _MARGIN) / WIDTH,
            top=1 - ABOVE / height,
            bottom=BELOW / height,
        )
        axes.set_ylim(len(levels) - 0.5, -0.5)
        axes.set_yticks([])
        axes.set_xlim(-(end * 1.02 + gap), end * 1.02 + gap)
        axes.set_xticks(
            [*(-(gap + tick) for tick in reversed(ticks)), *(gap + tick for tick in ticks)],
            [f"{100 * tick:.0f}" for tick in (*reversed(ticks), *ticks)],
        )
        axes.grid(visible=True, axis="x", color=style.RULE, linewidth=0.7)
        axes.set_axisbelow(True)
        place = {level: at for at, level in enumerate(levels)}
        for level, at in place.items():
            axes.text(0, at, level, ha="center", va="center", fontweight="bold")
        for table, sign in ((medial, -1), (lateral, 1)):
            for row in table.rows:
                if row.stratum[Split.LEVEL] not in place:
                    continue
                _draw(axes, place[row.stratum[Split.LEVEL]], row, sign, gap)
        _head(axes, medial, height)
    return style.svg(made)


def _draw(axes: Axes, at: int, row: RateRow, sign: int, gap: float) -> None:
    """Draw one level's rate on its side with its interval, and its counts at the margin."""
    across = axes.get_yaxis_transform()
    margin, side = (-0.02, "right") if sign < 0 else (1.02, "left")
    told = f"{row.breached} of {row.graded}"
    if row.rate is not None:
        told = f"{told}, {percent(row.rate)}%"
    axes.text(margin, at, told, transform=across, ha=side, va="center", fontsize=8)
    if row.rate is None:
        return
    if row.low is not None and row.high is not None:
        limits = [sign * (gap + row.low), sign * (gap + row.high)]
        axes.plot(limits, [at, at], color=style.SOFT_INK, linewidth=1.6)
        for limit in limits:
            axes.plot([limit, limit], [at - 0.16, at + 0.16], color=style.SOFT_INK, linewidth=1.2)
    axes.plot([sign * (gap + row.rate)], [at], "o", color=style.INK, markersize=5.5,
              markeredgecolor=style.PAPER, zorder=3)  # fmt: skip


def _scale(rows: list[RateRow]) -> tuple[float, list[float]]:
    """Return where either half ends, and its ticks from 0, as proportions."""
    found = [part for row in rows for part in (row.rate, row.high) if part is not None]
    top = max(found, default=0.0) or 0.1
    step = next((step for step in style.TICK_STEPS if top <= 4 * step), style.TICK_STEPS[-1])
    end = min(1.0, step * -(-top // step))
    return end, [step * number for number in range(round(end / step) + 1)]


def _head(axes: Axes, table: RateTable, height: float) -> None:
    made = axes.figure
    event = table.question.event.words().replace(f"{table.question.direction} ", "")
    title = f"{event[0].upper()}{event[1:]}, by level"
    made.text(0.02, 1 - 0.2 / height, title, fontsize=11, fontweight="bold", va="center")
    for place, text in ((0.25, "medial, towards the canal"), (0.75, "lateral, away from it")):
        axes.text(place, -0.8, text, transform=axes.get_yaxis_transform(), ha="center",
                  va="bottom", color=style.SOFT_INK)  # fmt: skip
    axes.set_xlabel("graded screws with such a breach, %")
    made.text(0.02, 0.1 / height, f"{interval_words(table)}; {period_words(table)}.", fontsize=8,
              color=style.SOFT_INK, va="bottom")  # fmt: skip


def _told(medial: RateTable, lateral: RateTable) -> str:
    """Return where medial and lateral rates are highest, and how many levels have none."""
    said = [f"Rates by level, cranial on top, {period_words(medial)}."]
    for table, name in ((medial, "Medial"), (lateral, "Lateral")):
        shown = [row for row in table.rows if row.rate is not None]
        if not shown:
            said.append(f"{name}: no level has enough graded screws for a rate.")
            continue
        highest = sorted(shown, key=lambda row: (-(row.rate or 0.0), -row.graded))[:_MOST_TOLD]
        found = [_words(row) for row in highest if row.breached]
        told = "; ".join(found) or "no breach at a level with a rate"
        said.append(f"{name}, highest at {told}." if found else f"{name}: {told}.")
    few = sum(row.rate is None for row in medial.rows)
    if few:
        said.append(f"Counts only at {few} of {len(medial.rows)} levels.")
    said.append(f"{interval_words(medial)}; intervals that overlap may not differ.")
    return " ".join(said)


def _words(row: RateRow) -> str:
    told = f"{row.stratum[Split.LEVEL]} {percent(row.rate or 0.0)}%"
    if row.low is None or row.high is None:
        return told
    return f"{told} ({percent(row.low)} to {percent(row.high)}, {row.breached} of {row.graded})"
