"""Whether a rate moves from quarter to quarter: a straight trend of its log odds."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from reports.statistics.estimate import Estimate
from reports.statistics.intervals import student_quantile
from reports.statistics.logistic import fit_logistic, patients_covariance, standard_error

if TYPE_CHECKING:
    import numpy.typing as npt


@dataclass(frozen=True)
class Trend:
    """How the odds of an event change from one quarter to the next.

    Attributes
    ----------
    odds_ratio : a quarter; all None where undefined
    p_value : None where undefined
    quarters : from the first to the last, both counted
    """

    odds_ratio: Estimate
    p_value: float | None
    quarters: int


def trend(
    events: npt.NDArray[np.bool_],
    quarters: npt.NDArray[np.int64],
    patients: npt.NDArray[np.int64],
    confidence: float = 0.95,
) -> Trend:
    """Return the straight trend of the log odds over quarters, patients as clusters.

    A logistic regression on the quarter's number, its covariance that of whole patients with the
    correction of Mancl and DeRouen, t on the patients less 2.

    Parameters
    ----------
    events : shape (n,)
    quarters : shape (n,), whole numbers, 1 apart from one quarter to the next
    patients : shape (n,), a whole number that stands for the patient
    confidence : float, above 0 and below 1

    Returns
    -------
    Trend : undefined with one quarter, with fewer than 3 patients, without an event, with nothing
        but events, where a quarter parts events from the rest, and where the patients show no
        spread of it: one alone carries it, or each has the events that the trend expects

    Raises
    ------
    ValueError : `confidence` not between 0 and 1

    Examples
    --------
    >>> events = np.array([0, 0, 1, 0, 1, 0, 1, 1], dtype=bool)
    >>> found = trend(events, np.repeat([1, 2], 4), np.arange(8))
    >>> round(found.odds_ratio.value, 6)  # (3/1) / (1/3)
    9.0
    """
    span = int(np.ptp(quarters)) + 1 if len(quarters) else 0
    df = len(np.unique(patients)) - 2
    if span <= 1 or df < 1:
        return Trend(Estimate(), None, span)
    design = np.column_stack([np.ones(len(events)), quarters - quarters.mean()])
    fit = fit_logistic(events, design)
    if fit is None:
        return Trend(Estimate(), None, span)
    spread = standard_error(fit, patients_covariance(fit, events, design, patients), 1)
    if spread is None:
        return Trend(Estimate(), None, span)
    value = float(fit.coefficients[1])
    half = student_quantile(confidence, df) * spread
    odds_ratio = Estimate(exp(value), exp(value - half), exp(value + half))
    return Trend(odds_ratio, 2 * float(special.stdtr(df, -abs(value) / spread)), span)
