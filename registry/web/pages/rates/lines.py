"""A rate table as the page prints it: the digits are those of every other way out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.tables.rate_words import (
    HEADINGS,
    share_words,
    stratum_heading,
    words_of,
    words_of_peer,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.tables.rates import PeerPoint, RateRow, RateTable


_COUNTS = {"placed": "Placed", "imaged": "Imaged", "graded": "Graded", "breached": "Breached"}
_OF_PATIENTS = {
    "patients": "Patients",
    "with a breach": "Patients with a breach (%; interval)",
    "mean of patients %": "Mean of patients\N{RIGHT SINGLE QUOTATION MARK} rates, %",
    "design effect": "Design effect",
    "own correlation": "Own correlation",
    "df": "df",
}
COLUMNS = (*_COUNTS.values(), "Rate, %", "Interval, %", *_OF_PATIENTS.values())
"""The columns after the strata."""


@dataclass(frozen=True)
class Line:
    """One stratum.

    Attributes
    ----------
    strata : its names, in the order asked
    counts : placed, imaged, graded, breached
    rate, interval : in per cent
    no_rate : why there is no rate, or empty
    of_patients : the columns after the interval
    """

    strata: tuple[str, ...]
    counts: tuple[str, ...]
    rate: str
    interval: str
    no_rate: str
    of_patients: tuple[str, ...]


def lines(table: RateTable) -> list[Line]:
    """Return the table's rows as lines, in its order, and then the peers' points."""
    return [*(_line(row) for row in table.rows), *(_line_of_peer(peer) for peer in table.peers)]


def strata(table: RateTable) -> list[str]:
    """Return the headings of the strata."""
    return [stratum_heading(split) for split in table.question.by] or ["screws"]


def _line_of_peer(peer: PeerPoint) -> Line:
    return _made((peer.code,), words_of_peer(peer))


def _line(row: RateRow) -> Line:
    no_rate = ""
    if row.rate is None:
        no_rate = "too few for a rate" if row.graded else "none graded"
    return _made(
        tuple(row.stratum.values()) or ("all screws",),
        words_of(row),
        patient_share=share_words(row),
        no_rate=no_rate,
    )


def _made(
    strata: tuple[str, ...], words: Sequence[str], patient_share: str = "", no_rate: str = ""
) -> Line:
    cells = dict(zip(HEADINGS, words, strict=True))
    if patient_share:
        cells["with a breach"] += f" ({patient_share})"
    return Line(
        strata=strata,
        counts=tuple(cells[name] for name in _COUNTS),
        rate=cells["rate %"],
        interval=cells["interval %"],
        no_rate=no_rate,
        of_patients=tuple(cells[name] for name in _OF_PATIENTS),
    )
