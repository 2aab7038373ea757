"""Observed over expected as lines about 1, and observed against expected rates by fifths."""

from __future__ import annotations

from textwrap import shorten
from typing import TYPE_CHECKING

from reports.charts import style
from reports.charts.forest import Axis, Drawn, forest
from reports.charts.rates import Chart
from reports.statistics.case_mix import CaseMix, Refusal
from reports.tables.case_mix_words import sentence, span
from reports.tables.rate_words import percent, stratum_heading
from reports.tables.splits import PERSONS

if TYPE_CHECKING:
    from reports.statistics.calibration import Fifth
    from reports.tables.case_mix import CaseMixTable, ExpectedRow

LONGEST_NAME, FARTHEST, MOST_TOLD = 40, 4.0, 3
WIDTH, HEIGHT = 8.6, 4.0


def ratio_chart(table: CaseMixTable) -> Chart:
    """Return observed over expected of each group, with the text alternative."""
    event = table.question.event.words()
    found = [row.ratio for row in table.rows if row.ratio.value is not None]
    top = max([2.0, *(end for each in found for end in (each.value, each.high) if end is not None)])
    top = min(FARTHEST, -(-top * 2 // 1) / 2)
    ticks = [(step / 2, f"{step / 2:g}") for step in range(int(2 * top) + 1)]
    is_cut = any((each.high or 0) > FARTHEST for each in found)
    axis = Axis(
        title=f"{event[0].upper()}{event[1:]}, by {stratum_heading(table.split)}",
        name="observed over expected",
        foot=f"{'Lines that reach the right edge go on. ' if is_cut else ''}{_foot(table.model)}",
        middle=1.0,
        low=-0.02 * top,
        high=1.01 * top,
        ticks=ticks,
    )  # fmt: skip
    figure = forest([_drawn(row) for row in table.rows], axis)
    return Chart(style.svg(figure), _ratios_told(table))


def _foot(model: CaseMix | Refusal) -> str:
    if isinstance(model, CaseMix) and model.is_used:
        return "Adjusted for patient and pedicle alone."
    return "Not adjusted: expected is the unit's overall rate for everybody."


def calibration_chart(model: CaseMix) -> Chart:
    """Return observed against expected rates of the fifths, with the text alternative."""
    fifths = model.calibration.fifths
    made, axes = style.figure(WIDTH, HEIGHT)
    places = [fifth.expected / fifth.size for fifth in fifths]
    ends = [*places, *(fifth.rate.high or 0.0 for fifth in fifths)]
    top = 1.08 * max(ends)
    with style.drawing():
        made.subplots_adjust(left=0.08, right=0.46, top=0.87, bottom=0.14)
        axes.plot([0, top], [0, top], color=style.RULE, linewidth=1.2)
        for place, fifth in zip(places, fifths, strict=True):
            low, high = fifth.rate.low, fifth.rate.high
            if low is not None and high is not None:
                axes.plot([place, place], [low, high], color=style.SOFT_INK, linewidth=1.6)
            axes.plot([place], [fifth.rate.value or 0.0], "o", color=style.INK, markersize=6)
        axes.set_xlim(0, top)
        axes.set_ylim(0, top)
        ticks = [float(tick) for tick in axes.get_xticks() if 0 <= tick <= top]
        axes.set_xticks(ticks, [f"{100 * tick:.3g}" for tick in ticks])
        axes.set_yticks(ticks, [f"{100 * tick:.3g}" for tick in ticks])
        axes.set_xlabel("expected rate, %", loc="left")
        axes.set_ylabel("observed rate, %", loc="bottom")
        for number, fifth in enumerate(fifths):
            made.text(0.52, 0.78 - 0.08 * number, f"{number + 1}: {_fifth_told(fifth)}")
        made.text(0.02, 0.94, "Fifths by expected rate", fontsize=11, fontweight="bold")
    told = "; ".join(_fifth_told(fifth) for fifth in fifths)
    return Chart(style.svg(made), f"Observed against expected rates, lowest first: {told}.")


def _fifth_told(fifth: Fifth) -> str:
    observed = "-" if fifth.rate.value is None else percent(fifth.rate.value)
    return f"expected {percent(fifth.expected / fifth.size)}%, observed {observed}%"


def _drawn(row: ExpectedRow) -> Drawn:
    label = shorten(row.group, LONGEST_NAME, placeholder=" ...")
    if row.ratio.value is None:
        return Drawn(label, row.ratio, f"{row.observed} of {row.graded}")
    return Drawn(label, row.ratio, f"{row.ratio.value:.2f}  ({span(row.ratio)})")


def _ratios_told(table: CaseMixTable) -> str:
    """Return the groups in words: all of a few, else those whose interval leaves 1 out."""
    opening = f"Observed over expected by {stratum_heading(table.split)}"
    told = [row for row in table.rows if row.ratio.value is not None]
    if not told:
        return f"{opening}: none, nothing is expected."
    if len(told) <= MOST_TOLD:
        return f"{opening}. {' '.join(sentence(row) for row in told)}"
    apart = [
        row
        for row in told
        if row.ratio.low is not None
        and row.ratio.high is not None
        and not row.ratio.low <= 1 <= row.ratio.high
    ]
    # People are never singled out in a picture's words; the table holds each.
    names = "" if table.split in PERSONS else "".join(f", {row.group}" for row in apart)
    return f"{opening}: {len(told)} groups; 1 lies outside the interval of {len(apart)}{names}."
