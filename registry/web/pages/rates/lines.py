"""A rate table as the page prints it: the digits are those of every other way out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.tables.rate_words import HEADINGS, percent, stratum_heading, words_of, words_of_peer

if TYPE_CHECKING:
    from reports.tables.rates import PeerPoint, RateRow, RateTable


@dataclass(frozen=True)
class Line:
    """One stratum.

    Attributes
    ----------
    strata : its names, in the order asked
    cells : by `HEADINGS`
    patient_share : of the patients, those with a breach, in per cent; empty without a rate
    no_rate : why there is no rate, or empty
    """

    strata: tuple[str, ...]
    cells: dict[str, str]
    patient_share: str
    no_rate: str


def lines(table: RateTable) -> list[Line]:
    """Return the table's rows as lines, in its order, and then the peers' points."""
    return [*(_line(row) for row in table.rows), *(_line_of_peer(peer) for peer in table.peers)]


def headings(table: RateTable) -> list[str]:
    """Return the headings of the strata."""
    return [stratum_heading(split) for split in table.question.by]


def _line_of_peer(peer: PeerPoint) -> Line:
    cells = dict(zip(HEADINGS, words_of_peer(peer), strict=True))
    return Line(strata=(peer.code,), cells=cells, patient_share="", no_rate="")


def _line(row: RateRow) -> Line:
    share = row.patient_share
    no_rate = ""
    if row.rate is None:
        no_rate = "too few for a rate" if row.graded else "none graded"
    return Line(
        strata=tuple(row.stratum.values()) or ("all screws",),
        cells=dict(zip(HEADINGS, words_of(row), strict=True)),
        patient_share="" if no_rate or share is None else percent(share),
        no_rate=no_rate,
    )
