"""Practice in the words that its pages print."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.known_truth import truth_words
from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.extent_words import found_words, wall_words
from registry.domain.scales import grade
from registry.web.pages.evidence.views import screw_name

if TYPE_CHECKING:
    from decimal import Decimal

    from registry.actions.known_truth import BesideTruth
    from reports.tables.known_truth import ReaderTruth, Share

_NO_TRUTH = "no truth"
_LEAST_FOR_BIAS = 5
"""Screws from which on a mean difference is printed; ours, no source."""


@dataclass(frozen=True)
class WallLine:
    """One direction: what was read, what is true, and by how much they differ."""

    wall: str
    own: str
    truth: str
    difference: str


@dataclass(frozen=True)
class Line:
    """A reading beside the truth, in one line of a table."""

    reading_id: int
    reader: str
    name: str
    own_grade: str
    true_grade: str
    own: str
    truth: str
    verdict: str


def line(beside: BesideTruth, scale: str) -> Line:
    """Return a reading beside the truth."""
    reading = beside.reading
    own = grade(reading.read_mm, reading.level, scale) if reading.is_assessable else None
    return Line(
        reading_id=reading.reading_id,
        reader=reading.reader,
        name=screw_name(reading.level, reading.side, reading.number),
        own_grade=(own or "none") if reading.is_assessable else "not assessable",
        true_grade=grade(beside.truth_mm, reading.level, scale) or "none",
        own=found_words(reading.read_mm, {}, is_assessable=reading.is_assessable),
        truth=truth_words(beside.truth_mm),
        verdict=_verdict(beside),
    )


def _verdict(beside: BesideTruth) -> str:
    judged = beside.judged
    if judged is None or judged.read_mm is None:
        return "no grade to compare"
    told = (
        (judged.is_missed, "2 mm or more outside, read as less"),
        (judged.is_called_contained, "outside, read as contained"),
        (judged.is_false_alarm, "read as 2 mm or more outside, and is not"),
    )
    otherwise = "found" if judged.is_breached else "rightly under 2 mm"
    return next((words for holds, words in told if holds), otherwise)


def walls(beside: BesideTruth) -> list[WallLine]:
    """Return the pedicle walls, and what is true or was read beyond them."""
    read, truth = beside.reading.read_mm, beside.truth_mm
    return [
        WallLine(
            wall_words(wall),
            _mm(read.get(wall), "not measured"),
            _mm(truth.get(wall), _NO_TRUTH),
            _difference(read.get(wall), truth.get(wall)),
        )
        for wall in Direction
        if wall in PEDICLE_WALLS or read.get(wall) is not None or truth.get(wall)
    ]


def _mm(value: Decimal | None, otherwise: str) -> str:
    return otherwise if value is None else f"{value} mm"


def _difference(own: Decimal | None, truth: Decimal | None) -> str:
    if own is None or truth is None:
        return ""
    return f"{own - truth:+.1f} mm" if own != truth else "0.0 mm"


def bias_rows(result: ReaderTruth) -> list[tuple[str, str, str, str]]:
    """Return wall, screws, mean difference with its interval, limits of agreement."""
    rows = []
    for each in result.walls:
        bias, lower, upper = each.bias, each.lower, each.upper
        is_known = bias.value is not None and bias.low is not None and bias.high is not None
        if each.screws < _LEAST_FOR_BIAS or not is_known:
            rows.append((each.wall.value, str(each.screws), "too few", ""))
            continue
        rows.append(
            (
                each.wall.value,
                str(each.screws),
                f"{_signed(bias.value)} ({_signed(bias.low)} to {_signed(bias.high)})",
                f"{_signed(lower)} to {_signed(upper)}",
            )
        )
    return rows


def _signed(value: float | None) -> str:
    """Return such as `+0.4`; what rounds to nought has no sign."""
    told = "" if value is None else f"{value:+.1f}"
    return "0.0" if told in {"+0.0", "-0.0"} else told


def share_words(share: Share) -> str:
    """Return such as `2 of 9 (6 to 55%)`."""
    low, high = share.share.low, share.share.high
    if low is None or high is None:
        return "none read"
    return f"{share.count} of {share.of} ({100 * low:.0f} to {100 * high:.0f}%)"
