"""A table of surgeons as the page prints it: each of its three tables picks some of the columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.tables.rate_words import near_percent
from reports.tables.surgeon_words import HEADINGS, imaging_words, words_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from reports.tables.surgeon_table import SurgeonTable

POINTS = {
    "surgeon": "surgeon",
    "patients": "patients",
    "patients with a breach (%; interval)": "with a breach (%; interval)",
    "graded": "graded",
    "effective": "effective",
    "breached": "breached",
    "rate % (interval)": "rate, % (interval)",
    "95% lines": "95% lines",
    "99.8% lines": "99.8% lines",
    "where": "where",
}
"""The columns of the points and the funnel's lines, and how the page heads them."""

LIKELY = {
    "surgeon": "surgeon",
    "breached": "breached",
    "expected": "expected",
    "O/E (interval)": "observed/expected (interval)",
    "shrunken % (interval)": "shrunken rate, % (interval)",
}
"""Those of what is expected, and of the shrunken rates."""

IMAGED = {"surgeon": "surgeon", "placed": "placed", "imaged %": "imaged, %"}
REASONS = "cases by reason of the audit scan, or why there is none"
"""Those of who was imaged, and the column of why."""


def point_lines(table: SurgeonTable) -> list[list[str]]:
    """Return the points under `POINTS`, and then the peers, of whom a rate alone is known."""
    known = [
        {"surgeon": peer.code, "rate % (interval)": near_percent(peer.rate)} for peer in table.peers
    ]
    peers = [[peer.get(name, "-") for name in POINTS] for peer in known]
    return [*_picked(table, POINTS), *peers]


def likely_lines(table: SurgeonTable) -> list[list[str]]:
    """Return the points under `LIKELY`."""
    return _picked(table, LIKELY)


def imaged_lines(table: SurgeonTable) -> list[list[str]]:
    """Return the points under `IMAGED`, with their reasons."""
    rows = zip(_picked(table, IMAGED), table.points, strict=True)
    return [[*cells, imaging_words(point)] for cells, point in rows]


def drawn_how(table: SurgeonTable) -> str:
    """Return how the funnel's lines are drawn; without a spread there is a bar for each point."""
    if table.peers or not table.spread:
        return (
            "The same points drawn: full line across, the unit; thick bar, between the 95% lines; "
            "thin bar, 99.8%; rings, peers."
        )
    return "The same points drawn: full line, the unit; dashed, 95%; outer, 99.8%."


def _picked(table: SurgeonTable, names: Iterable[str]) -> list[list[str]]:
    places = [HEADINGS.index(name) for name in names]
    rows = [words_of(point) for point in table.points]
    return [[cells[place] for place in places] for cells in rows]
