"""Two readers' millimetres drawn: the difference against the mean, with the limits of agreement."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from reports.charts import style
from reports.charts.rates import Chart

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from reports.statistics.differences_of_readers import LimitsOfAgreement
    from reports.statistics.estimate import Estimate

WIDTH, HEIGHT = 7.4, 4.4
_SMALLEST, _LARGEST = 14.0, 420.0
_LABELLED_FROM = 10


def difference_chart(
    pairs: Sequence[tuple[float, float]], limits: LimitsOfAgreement
) -> Chart | None:
    """Return the chart of pairs of extents in mm, first and second; None without a bias.

    Pairs with the same two numbers are one ring, the larger the more they are.
    """
    if limits.bias.value is None:
        return None
    rings = Counter(
        (round((first + second) / 2, 2), round(second - first, 1)) for first, second in pairs
    )
    made, axes = style.figure(WIDTH, HEIGHT)
    with style.drawing():
        made.subplots_adjust(left=0.09, right=0.8, top=0.89, bottom=0.13)
        most = max(rings.values())
        axes.scatter(
            [place[0] for place in rings],
            [place[1] for place in rings],
            s=[_SMALLEST + (_LARGEST - _SMALLEST) * count / most for count in rings.values()],
            facecolors="none",
            edgecolors=style.INK,
            linewidths=0.9,
        )
        for place, count in rings.items():
            if count >= max(_LABELLED_FROM, most // 4):
                axes.annotate(
                    str(count),
                    place,
                    xytext=(-13, 0),
                    textcoords="offset points",
                    fontsize=8,
                    ha="right",
                    va="center",
                    # The line of the mean runs close by: no number is struck through.
                    bbox={"facecolor": style.PAPER, "edgecolor": "none", "pad": 0.8},
                )
        # Room for the number of the pairs that are 0 in both, left of the origin.
        room = 0.06 + 0.025 * len(str(most))
        axes.set_xlim(left=-room * max(1.0, *(place[0] for place in rings)))
        # Room for the intervals of the lines, right of every ring.
        axes.set_xlim(right=1.12 * axes.get_xlim()[1])
        _line(axes, "mean", limits.bias, "solid", at=0.97)
        _line(axes, "lower limit", limits.lower, "dashed")
        _line(axes, "upper limit", limits.upper, "dashed")
        axes.set_title(
            "Second reading less first, mm", loc="left", fontsize=11, fontweight="bold", pad=10
        )
        axes.spines["left"].set_visible(True)
        axes.set_xlabel("mean of the two readings, mm", loc="left")
        axes.set_ylabel("second less first, mm")
    return Chart(svg=style.svg(made), alternative=_told(pairs, limits, rings))


def _line(axes: Axes, name: str, found: Estimate, kind: str, at: float = 1.0) -> None:
    """Draw a line across, with its interval upright on it; nothing without a value.

    `at` is the interval's place as a share of the width: apart where two may overlap.
    """
    value = found.value
    if value is None:
        return
    if found.low is not None and found.high is not None:
        axes.errorbar(
            [at], [value], yerr=[[value - found.low], [found.high - value]],
            transform=axes.get_yaxis_transform(),
            fmt="none", ecolor=style.INK, elinewidth=1.2, capsize=3, clip_on=False,
        )  # fmt: skip
    axes.axhline(value, color=style.SOFT_INK, linewidth=1.0, linestyle=kind, zorder=0)
    axes.annotate(
        f"{name} {value:.2f}", (1.0, value), xycoords=("axes fraction", "data"),
        xytext=(9, 0), textcoords="offset points", va="center", fontsize=8,
    )  # fmt: skip


def _told(
    pairs: Sequence[tuple[float, float]],
    limits: LimitsOfAgreement,
    rings: Counter[tuple[float, float]],
) -> str:
    number = f"{len(pairs)} pair{'' if len(pairs) == 1 else 's'}"
    said = f"{number} of readings: on average the second lies {limits.bias.value:.2f} mm"
    said += " from the first"
    if limits.lower.value is not None and limits.upper.value is not None:
        said += f", most between {limits.lower.value:.2f} and {limits.upper.value:.2f} mm"
    same = rings.get((0.0, 0.0), 0)
    return f"{said}. {same} pairs are 0 in both readings and lie at the origin."
