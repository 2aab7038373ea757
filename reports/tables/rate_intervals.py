"""The interval that was asked for, of each stratum of a table of rates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reports.statistics.estimate import Estimate
from reports.statistics.intervals import clopper_pearson, exact_limits, jeffreys, mid_p, wilson
from reports.statistics.patient_sums import default_limits
from reports.tables.splits import IntervalName

if TYPE_CHECKING:
    from reports.statistics.clustered import UnitClustering
    from reports.tables.counting import Counted

PLAIN_INTERVALS = {
    IntervalName.WILSON: wilson,
    IntervalName.CLOPPER_PEARSON: clopper_pearson,
    IntervalName.JEFFREYS: jeffreys,
    IntervalName.MID_P: mid_p,
}


@dataclass(frozen=True)
class Made:
    """An interval and what made it; all None without a graded screw.

    Attributes
    ----------
    low, high : proportions
    design_effect : 1 for the plain intervals
    effective : graded screws divided by the design effect
    df : None for the plain intervals
    rho : the stratum's own correlation within patients, before the floor at 0; None for the plain
        intervals and where undefined
    """

    low: float | None = None
    high: float | None = None
    design_effect: float | None = None
    effective: float | None = None
    df: float | None = None
    rho: float | None = None


def patient_shares(counted: Counted, confidence: float) -> list[Estimate]:
    """Return the share of each stratum's patients with a breach, with its exact interval.

    Patients are independent of one another, so the interval of independent observations holds:
    Clopper and Pearson's, which is never less sure than it says, however few patients there are.
    Nothing without a patient.
    """
    sums = counted.sums
    low, high = exact_limits(sums.with_event, sums.patients, confidence)
    shares = sums.with_event / np.maximum(sums.patients, 1)
    every = zip(*(each.tolist() for each in (sums.patients, shares, low, high)), strict=True)
    return [Estimate(*limits) if patients else Estimate() for patients, *limits in every]


def intervals(
    counted: Counted, unit: UnitClustering, name: IntervalName, confidence: float
) -> list[Made]:
    """Return the interval of each stratum, in their order."""
    graded = counted.graded.tolist()
    if name is IntervalName.CLUSTERED:
        found = default_limits(
            counted.sums,
            pooled_rho=unit.pooled_rho,
            unit_patients=unit.patients,
            unit_with_event=unit.patients_with_event,
            confidence=confidence,
        )
        columns = (found.low, found.high, found.design_effect, found.effective, found.df)
        # The correlation alone is undefined in some strata that have an interval.
        own = [None if np.isnan(rho) else rho for rho in found.rho.tolist()]
        every = zip(*(column.tolist() for column in columns), own, strict=True)
        return [Made(*each) if n else Made() for n, each in zip(graded, every, strict=True)]
    plain = PLAIN_INTERVALS[name]
    made = []
    for n, x in zip(graded, counted.breached.tolist(), strict=True):
        limits = plain(x, n, confidence) if n else None
        made.append(Made(limits.low, limits.high, 1.0, float(n)) if limits else Made())
    return made
