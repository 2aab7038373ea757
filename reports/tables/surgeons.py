"""Surgeons beside one another: a funnel's points, each with what is expected and what is likely.

Nobody is ranked: the points stand in the order of their names or codes.
"""

from __future__ import annotations

from dataclasses import replace
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
from reports.tables.rates import rates
from reports.tables.splits import Split
from reports.tables.surgeon_table import SurgeonPoint, SurgeonTable, Widening

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt
    import pandas as pd

    from reports.statistics.intervals import Interval
    from reports.tables.rates import Question, RateRow
    from reports.tables.surgeon_table import Expectation

    Floats = npt.NDArray[np.float64]


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
    if len(known) < 2:  # noqa: PLR2004 - one alone lies apart from nobody
        return None
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
    bare = SurgeonPoint(
        *(label, row.patients, row.placed, row.imaged, row.graded, row.breached),
        patients_with_event=row.patients_with_event,
        patient_share=row.patient_share,
    )
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
