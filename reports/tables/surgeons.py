"""Surgeons beside one another: a funnel's points, each with what is expected and what is likely.

Nobody is ranked: the points stand in the order of their names or codes.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from reports.statistics.estimate import Estimate
from reports.statistics.funnel import (
    ALARM,
    ALERT,
    Spread,
    funnel_limits,
    spread,
    widened_additive,
    widened_multiplicative,
)
from reports.statistics.observed_expected import observed_over_expected
from reports.statistics.shrinkage import shrunken
from reports.tables.rates import RateTable, rates
from reports.tables.splits import Split
from reports.tables.surgeon_words import HEADINGS, notes, words_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt
    import pandas as pd

    from reports.statistics.intervals import Interval
    from reports.tables.rates import PeerPoint, Question, RateRow

    Floats = npt.NDArray[np.float64]


NO_ESTIMATE = Estimate()


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
    """

    shares: Floats
    words: str


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
    *("shrunken", "shrunken_low", "shrunken_high", "imaging"),
)


def _csv_cells(point: SurgeonPoint) -> list[object]:
    def of(made: Estimate) -> list[object]:
        return [made.value, made.low, made.high]

    imaging = "; ".join(f"{words} {count}" for words, count in point.imaging.items())
    return [
        # A name that a spreadsheet would take for a formula gets an apostrophe before it.
        f"'{point.code}" if point.code.startswith(("=", "+", "-", "@")) else point.code,
        *(point.patients, point.placed, point.imaged, point.graded, point.breached),
        point.effective,
        *of(point.rate),
        *(_pair(point.limits_95) or ("", "")),
        *(_pair(point.limits_998) or ("", "")),
        point.expected,
        *of(point.observed_over_expected),
        *of(point.shrunken),
        imaging,
    ]


def _pair(limits: Interval | None) -> list[float] | None:
    return None if limits is None else [limits.low, limits.high]


def surgeons(
    unit: pd.DataFrame,
    question: Question,
    labels: Mapping[int, str],
    *,
    expectation: Expectation | None = None,
    imaging: Mapping[int, Mapping[str, int]] | None = None,
    widening: Widening = Widening.NONE,
) -> SurgeonTable:
    """Return every responsible surgeon's point.

    `unit` is the frame of every counted screw up to the period's end; `labels` gives the name or
    code of each person; `expectation` is of its rows, without one the unit's overall rate is
    expected of each screw; `imaging` counts cases by surgeon.
    """
    by_id = {person: str(person) for person in labels}
    made = rates(unit, replace(question, by=(Split.SURGEON,)), labels=by_id)
    whole = rates(unit, replace(question, by=(), minimum=0)).rows[0]
    target = whole.breached / whole.graded if whole.graded else None
    rows = {int(row.stratum[Split.SURGEON]): row for row in made.rows}
    drawn = [row for row in rows.values() if row.rate is not None and row.effective]
    found = None if target is None else _spread(drawn, target)
    shrunk = _shrunken(drawn, target)
    expected = _expected(unit, question, expectation, target)
    points = [
        replace(
            _point(row, labels[person], target, expected.get(person), shrunk.get(id(row))),
            imaging=(imaging or {}).get(person, {}),
        )
        for person, row in rows.items()
    ]
    if found and found.is_enough and target is not None:
        points = [_widened(point, target, found, widening) for point in points]
    return SurgeonTable(
        question=question,
        target=target,
        spread=found,
        widening=widening,
        points=tuple(sorted(points, key=lambda point: (point.code.casefold(), point.code))),
        rates=made,
        expected_words=expectation.words if expectation else OVERALL,
    )


OVERALL = (
    "Expected: the unit's overall rate for each screw, without regard to patient and pedicle; "
    "a surgeon's own screws are part of that rate, which pulls observed over expected to 1."
)


def _spread(drawn: Sequence[RateRow], target: float) -> Spread | None:
    pairs = [(row.rate, row.effective) for row in drawn]
    known = [(rate, size) for rate, size in pairs if rate is not None and size is not None]
    return spread([rate for rate, _ in known], [size for _, size in known], target)


def _shrunken(drawn: Sequence[RateRow], target: float | None) -> dict[int, Estimate]:
    """Return each drawn row's estimate, by the row's identity."""
    if target is None or not drawn:
        return {}
    sizes = [row.effective or 0.0 for row in drawn]
    events = [(row.rate or 0.0) * size for row, size in zip(drawn, sizes, strict=True)]
    made = shrunken(events, sizes, target)
    return {id(row): estimate for row, estimate in zip(drawn, made, strict=True)}


def _expected(
    unit: pd.DataFrame, question: Question, given: Expectation | None, target: float | None
) -> dict[int, float]:
    """Return the breaches expected of each surgeon's graded screws in the period."""
    if target is None:
        return {}
    counted = (question.event.graded(unit) & unit["pedicle"]).to_numpy(dtype=np.bool_)
    counted = counted & in_period(unit, question)
    values = np.full(len(unit), target) if given is None else given.shares
    persons, place = np.unique(unit["surgeon"].to_numpy()[counted], return_inverse=True)
    sums = np.bincount(place, weights=values[counted], minlength=len(persons))
    return {int(person): float(total) for person, total in zip(persons, sums, strict=True)}


def in_period(unit: pd.DataFrame, question: Question) -> npt.NDArray[np.bool_]:
    """Return which screws were operated on in the question's period."""
    inside = np.ones(len(unit), dtype=np.bool_)
    if question.start:
        inside &= (unit["operated_on"] >= np.datetime64(question.start)).to_numpy()
    if question.end:
        inside &= (unit["operated_on"] <= np.datetime64(question.end)).to_numpy()
    return inside


def _point(
    row: RateRow,
    label: str,
    target: float | None,
    expected: float | None,
    shrunk: Estimate | None,
) -> SurgeonPoint:
    bare = SurgeonPoint(label, row.patients, row.placed, row.imaged, row.graded, row.breached)
    if row.rate is None or target is None or not row.effective:
        return replace(bare, effective=row.effective)
    quotient = Estimate()
    if expected is not None:
        quotient = observed_over_expected(row.breached, expected, row.design_effect or 1.0)
    return replace(
        bare,
        effective=row.effective,
        rate=Estimate(row.rate, row.low, row.high),
        limits_95=funnel_limits(target, row.effective, ALERT),
        limits_998=funnel_limits(target, row.effective, ALARM),
        expected=expected,
        observed_over_expected=quotient,
        shrunken=shrunk or Estimate(),
    )


def _widened(point: SurgeonPoint, target: float, found: Spread, widening: Widening) -> SurgeonPoint:
    if point.limits_95 is None or point.limits_998 is None or point.effective is None:
        return point
    if widening is Widening.NONE:
        return point

    def wider(limits: Interval, effective: float) -> Interval:
        if widening is Widening.MULTIPLICATIVE:
            return widened_multiplicative(limits, target, found)
        return widened_additive(limits, target, effective, found)

    return replace(
        point,
        limits_95=wider(point.limits_95, point.effective),
        limits_998=wider(point.limits_998, point.effective),
    )
