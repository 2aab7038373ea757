"""Surgeons beside one another as a table: points, what they stand against, how it is told."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from reports.statistics.estimate import Estimate
from reports.tables.cells import harmless
from reports.tables.rates import SHARE_NAMES
from reports.tables.surgeon_words import HEADINGS, notes, words_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    import numpy.typing as npt

    from reports.statistics.funnel import Spread
    from reports.statistics.intervals import Interval
    from reports.tables.rates import PeerPoint, Question, RateTable

    Floats = npt.NDArray[np.float64]


NO_ESTIMATE = Estimate()
OVERALL_BASIS = "the unit's overall rate"


class Widening(StrEnum):
    """Whether the limits allow for surgeons who differ beyond chance."""

    NONE = "none"
    MULTIPLICATIVE = "multiplicative"
    ADDITIVE = "additive"


class Position(StrEnum):
    """Where a point lies."""

    INSIDE = "between the lines"
    ABOVE_95 = "above the 95% line"
    ABOVE_998 = "above the 99.8% line"
    BELOW_95 = "below the 95% line"
    BELOW_998 = "below the 99.8% line"
    NOT_DRAWN = "counts only"


@dataclass(frozen=True)
class Expectation:
    """What is expected of each screw.

    Attributes
    ----------
    shares : shape (screws of the unit,), proportions; not-a-number where nothing is expected
    words : a sentence on how
    basis : the same as the end of `by ...`
    """

    shares: Floats
    words: str
    basis: str = OVERALL_BASIS


@dataclass(frozen=True)
class SurgeonPoint:
    """One surgeon.

    Attributes
    ----------
    code : code or name
    patients : with at least one graded screw
    placed, imaged, graded, breached : screws
    imaging : cases by the reason of their audit scan, or by why they have none
    effective : graded screws divided by the design effect
    rate : with the default interval
    limits_95, limits_998 : of the funnel at the effective screws
    expected : breaches expected of the graded screws
    observed_over_expected, shrunken : with their intervals
    patients_with_event, patient_share : of the patients, those with a breach, and their share

    What is undefined, not to be shown, or below the minimum of graded screws is None.
    """

    code: str
    patients: int
    placed: int
    imaged: int
    graded: int
    breached: int
    imaging: Mapping[str, int] = field(default_factory=dict)
    effective: float | None = None
    rate: Estimate = NO_ESTIMATE
    limits_95: Interval | None = None
    limits_998: Interval | None = None
    expected: float | None = None
    observed_over_expected: Estimate = NO_ESTIMATE
    shrunken: Estimate = NO_ESTIMATE
    patients_with_event: int | None = None
    patient_share: Estimate = NO_ESTIMATE

    @property
    def position(self) -> Position:
        """Return where the point lies."""
        rate, inner, outer = self.rate.value, self.limits_95, self.limits_998
        if rate is None or inner is None or outer is None:
            return Position.NOT_DRAWN
        if rate > inner.high:
            return Position.ABOVE_998 if rate > outer.high else Position.ABOVE_95
        if rate < inner.low:
            return Position.BELOW_998 if rate < outer.low else Position.BELOW_95
        return Position.INSIDE

    def as_json(self) -> dict[str, object]:
        """Return the point as `surgeons --format json` prints it."""
        return {
            "code": self.code,
            "patients": self.patients,
            "graded": self.graded,
            "effective": self.effective,
            "breached": self.breached,
            "rate": self.rate.as_json(),
            "limits_95": _pair(self.limits_95),
            "limits_998": _pair(self.limits_998),
            "expected": self.expected,
            "observed_over_expected": self.observed_over_expected.as_json(),
            "shrunken": self.shrunken.as_json(),
            "patients_with_event": self.patients_with_event,
            "patient_share": self.patient_share.as_json(),
        }


@dataclass(frozen=True)
class SurgeonTable:
    """The points and what they stand against.

    Attributes
    ----------
    question : what was asked; its splits and its interval play no part
    target : the unit's overall rate in the period; None without one or where not to be shown
    spread : how far the points lie apart; None where undefined or not to be shown
    widening : what was asked for
    points : by name or code
    rates : the rate table that the points were made of
    expected_words : how the expected breaches were worked out
    peers : other surgeons, for who may not see them
    withheld : what is not shown and why, in sentences
    """

    question: Question
    target: float | None
    spread: Spread | None
    widening: Widening
    points: tuple[SurgeonPoint, ...]
    rates: RateTable
    expected_words: str
    peers: tuple[PeerPoint, ...] = ()
    withheld: tuple[str, ...] = ()

    @property
    def is_widened(self) -> bool:
        """Return whether the limits allow for the spread."""
        return self.widening is not Widening.NONE and bool(self.spread and self.spread.is_enough)

    def as_json(self) -> dict[str, object]:
        """Return the table as `surgeons --format json` prints it."""
        peers = [
            SurgeonPoint(peer.code, 0, 0, 0, 0, 0, rate=Estimate(peer.rate)).as_json()
            | dict.fromkeys(("patients", "graded", "breached"))
            for peer in self.peers
        ]
        return {
            "target": self.target,
            "overdispersion": self.spread.phi if self.spread else None,
            "points": [*(point.as_json() for point in self.points), *peers],
        }

    def text_rows(self) -> list[list[str]]:
        """Return a heading and a line a surgeon, as people read them."""
        return [list(HEADINGS), *(words_of(point) for point in self.points)]

    def as_csv(self) -> str:
        """Return the points as comma-separated text, numbers unrounded, empty where undefined."""
        text = io.StringIO()
        made = csv.writer(text, lineterminator="\n")
        made.writerow(_CSV_NAMES)
        made.writerows(_csv_cells(point) for point in self.points)
        return text.getvalue()

    def notes(self) -> list[str]:
        """Return the sentences that must stand beside the points."""
        return notes(self)


_CSV_NAMES = (
    *("surgeon", "patients", "placed", "imaged", "graded", "breached", "effective"),
    *("rate", "low", "high", "limit_95_low", "limit_95_high", "limit_998_low", "limit_998_high"),
    *("expected", "observed_over_expected", "oe_low", "oe_high"),
    *("shrunken", "shrunken_low", "shrunken_high", "imaging", "patients_with_event"),
    *SHARE_NAMES,
)


def _csv_cells(point: SurgeonPoint) -> list[object]:
    imaging = "; ".join(f"{words} {count}" for words, count in point.imaging.items())
    return [
        harmless(point.code),
        *(point.patients, point.placed, point.imaged, point.graded, point.breached),
        point.effective,
        *point.rate.cells,
        *(_pair(point.limits_95) or ("", "")),
        *(_pair(point.limits_998) or ("", "")),
        point.expected,
        *point.observed_over_expected.cells,
        *point.shrunken.cells,
        imaging,
        point.patients_with_event,
        *point.patient_share.cells,
    ]


def _pair(limits: Interval | None) -> list[float] | None:
    return None if limits is None else [limits.low, limits.high]
