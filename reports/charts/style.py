"""The look of every chart: black on white paper, read without colour, the same bytes each time."""

from __future__ import annotations

import io
from contextlib import contextmanager
from threading import RLock
from typing import TYPE_CHECKING

from matplotlib import rc_context
from matplotlib.figure import Figure

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes

INK = "#1a1a1a"
SOFT_INK = "#5a5a5a"
RULE = "#dcdcdc"
PAPER = "#ffffff"

TICK_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.25)
"""Steps of an axis of proportions, of which the smallest with few ticks is taken."""

# Matplotlib's settings belong to the whole process: two threads that drew at once would undo each
# other's, so a chart is drawn alone.
_ALONE = RLock()


@contextmanager
def drawing() -> Iterator[None]:
    """Hold the settings of every chart while one is drawn; may be entered again inside."""
    with (
        _ALONE,
        rc_context(
            {
                # Glyphs are paths, so that a page looks alike whatever fonts it is read with.
                "svg.fonttype": "path",
                "svg.hashsalt": "pedicle-ledger",
                "text.parse_math": False,
                "font.family": "DejaVu Sans",
                "font.size": 9.0,
                "text.color": INK,
                "axes.labelcolor": INK,
                "axes.edgecolor": SOFT_INK,
                "axes.linewidth": 0.8,
                "xtick.color": SOFT_INK,
                "ytick.color": SOFT_INK,
                "figure.facecolor": PAPER,
                "axes.facecolor": PAPER,
            }
        ),
    ):
        yield


def figure(width_inches: float, height_inches: float) -> tuple[Figure, Axes]:
    """Return an empty figure on white paper with one pair of axes, open above and at the right."""
    with drawing():
        made = Figure(figsize=(width_inches, height_inches), layout=None)
        axes = made.add_subplot()
        axes.spines[["top", "right", "left"]].set_visible(False)
        axes.tick_params(length=3, width=0.8)
    return made, axes


def write_at_edge(axes: Axes, height: float, text: str) -> None:
    """Write beside the right edge, at a height in the axes' own units."""
    axes.annotate(
        text,
        (1, height),
        xycoords=("axes fraction", "data"),
        xytext=(4, 0),
        textcoords="offset points",
        va="center",
        fontsize=8,
        color=SOFT_INK,
    )


def per_cent_along(axes: Axes, top: float) -> None:
    """Set the axis along from 0 to just past `top`, a proportion, with few round ticks in per cent.

    Parameters
    ----------
    axes : whose values along are proportions
    top : the greatest, above 0
    """
    step = next((step for step in TICK_STEPS if top <= 6 * step), TICK_STEPS[-1])
    end = min(1.0, step * -(-top // step))
    ticks = [step * number for number in range(round(end / step) + 1)]
    axes.set_xlim(-0.005 * end, end * 1.01)
    axes.set_xticks(ticks, [f"{100 * tick:.0f}" for tick in ticks])
    axes.grid(visible=True, axis="x", color=RULE, linewidth=0.7)
    axes.set_axisbelow(True)


def svg(made: Figure) -> str:
    """Return a figure as one svg element: no date, no version, the same bytes each time."""
    text = io.StringIO()
    with drawing():
        made.savefig(
            text,
            format="svg",
            metadata={"Date": None, "Creator": None, "Format": None, "Type": None},
        )
    written = text.getvalue()
    return written[written.index("<svg") :]  # without a document's head it also stands in a page
