"""Two proportions against each other: difference, ratio, many comparisons, a trend.

An association is no effect: who chose the one over the other chose by what they saw.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, sqrt
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from reports.statistics.clustered import Counts, UnitClustering, clustered_interval
from reports.statistics.estimate import Estimate
from reports.statistics.intervals import normal_quantile, score_interval, student_quantile
from reports.statistics.logistic import fit_logistic, patients_covariance

if TYPE_CHECKING:
    from collections.abc import Sequence

HIGHEST_CORRELATION = 0.95
_ALIKE = 1e-12
_FARTHEST = 37.0  # standard deviations: beyond it a p-value is below what a float holds


@dataclass(frozen=True)
class Proportion:
    """Events among observations; neither need be whole.

    Attributes
    ----------
    events : 0 to `size`
    size : above 0; the effective number where observations share patients
    """

    events: float
    size: float

    @property
    def rate(self) -> float:
        """Events by size."""
        return self.events / self.size


@dataclass(frozen=True)
class Compared:
    """Two groups of screws compared, patients as clusters.

    Attributes
    ----------
    difference : rate of the first less rate of the second
    ratio : of the first to the second; all None where either has no event
    p_value : 1 less the confidence at which the difference's interval would end at 0
    correlation : of the two rates over the patients who have screws of both, 0 to 0.95
    shared_patients : patients who have screws of both
    """

    difference: Estimate
    ratio: Estimate
    p_value: float
    correlation: float
    shared_patients: int


def difference(
    first: Proportion, second: Proportion, confidence: float = 0.95, correlation: float = 0.0
) -> Estimate:
    """Return the difference of two proportions with limits put together from their own.

    Newcombe's method 10: with the score limits (l1, u1) and (l2, u2), the lower limit is
    d - sqrt((p1-l1)^2 + (u2-p2)^2 - 2 r (p1-l1)(u2-p2)), the upper
    d + sqrt((u1-p1)^2 + (p2-l2)^2 - 2 r (u1-p1)(p2-l2)).

    Parameters
    ----------
    first, second : on effective numbers where observations share patients
    confidence : float, above 0 and below 1
    correlation : r, of the two rates; 0 for separate patients

    Returns
    -------
    Estimate : within -1 to 1

    Raises
    ------
    ValueError : counts of which there is no proportion, or `confidence` not between 0 and 1

    References
    ----------
    Newcombe RG. Stat Med 1998;17:873-890, method 10. The form with a correlation is that of his
    interval for paired proportions, Stat Med 1998;17:2635-2650 (from memory).

    Examples
    --------
    >>> found = difference(Proportion(56, 70), Proportion(48, 80))
    >>> round(found.low, 4), round(found.high, 4)  # Newcombe 1998, Table II
    (0.0524, 0.3339)
    """
    return _difference(first, second, normal_quantile(confidence), correlation)


def ratio(
    first: Proportion, second: Proportion, confidence: float = 0.95, correlation: float = 0.0
) -> Estimate:
    """Return the ratio of two proportions, by the delta method on its logarithm.

    se^2 = (1-p1)/x1 + (1-p2)/x2 - 2 r sqrt((1-p1)/x1 (1-p2)/x2): Katz's where r is 0, since
    (1-p)/x = 1/x - 1/n.

    Parameters
    ----------
    first, second : on effective numbers where observations share patients
    confidence : float, above 0 and below 1
    correlation : r, of the two rates; 0 for separate patients

    Returns
    -------
    Estimate : None where either has no event

    Raises
    ------
    ValueError : `confidence` not between 0 and 1

    References
    ----------
    Katz D, et al. Biometrics 1978;34:469-474 (from memory).

    Examples
    --------
    >>> found = ratio(Proportion(189, 11034), Proportion(104, 11037))
    >>> [round(part, 2) for part in (found.value, found.low, found.high)]  # Agresti, from memory
    [1.82, 1.43, 2.31]
    """
    z = normal_quantile(confidence)
    if not first.events or not second.events:
        return Estimate()
    value = first.rate / second.rate
    parts = [(1 - one.rate) / one.events for one in (first, second)]
    variance = sum(parts) - 2 * correlation * sqrt(parts[0] * parts[1])
    half = z * sqrt(max(variance, 0.0))
    return Estimate(value, exp(log(value) - half), exp(log(value) + half))


def difference_p_value(first: Proportion, second: Proportion, correlation: float = 0.0) -> float:
    """Return 1 less the confidence at which the difference's interval would end at 0.

    So a p-value is below 0.05 exactly where the 95% interval leaves 0 out.

    Parameters
    ----------
    first, second, correlation : as for `difference`

    Returns
    -------
    float : above 0 to 1

    Examples
    --------
    >>> round(difference_p_value(Proportion(56, 70), Proportion(48, 80)), 3)
    0.008
    """
    if abs(first.rate - second.rate) < _ALIKE:
        return 1.0
    larger, smaller = sorted((first, second), key=lambda one: -one.rate)

    def lower_limit(z: float) -> float:
        low = _difference(larger, smaller, z, correlation).low
        return 0.0 if low is None else low

    if lower_limit(_FARTHEST) > 0:
        return 2 * float(special.ndtr(-_FARTHEST))
    z = float(optimize.brentq(lower_limit, _ALIKE, _FARTHEST, xtol=1e-12))
    return 2 * float(special.ndtr(-z))


def compare(
    first: tuple[Counts, Counts],
    second: tuple[Counts, Counts],
    unit: UnitClustering,
    confidence: float = 0.95,
) -> Compared:
    """Return two groups of screws compared, allowing for patients, also for those in both.

    Each group's proportion is on its effective screws (design effect of the default interval), z
    in place of t, as the coverage of the difference was simulated.

    Parameters
    ----------
    first, second : events and sizes of the same patients in the same order, whole numbers; size 0
        where a patient has no screw of that group
    unit : the clustering of the same event in the whole unit
    confidence : float, above 0 and below 1

    Returns
    -------
    Compared

    Raises
    ------
    ValueError : the lengths differ, or a group has no screw

    References
    ----------
    Ours; its parts are Newcombe's method 10 and Katz's interval on effective numbers.

    Examples
    --------
    >>> unit = UnitClustering(patients=6, patients_with_event=3, rho=0.0)
    >>> found = compare(([2, 0, 1], [4, 4, 4]), ([0, 0, 0], [4, 4, 4]), unit)
    >>> round(found.difference.value, 2), found.ratio.value, found.shared_patients
    (0.25, None, 3)
    """
    if len({len(counts) for counts in (*first, *second)}) > 1:
        raise ValueError("the groups' patients differ")
    one, other = (_effective(*group, unit, confidence) for group in (first, second))
    r = _correlation(first, second)
    shared = (np.asarray(first[1]) > 0) & (np.asarray(second[1]) > 0)
    return Compared(
        difference=difference(one, other, confidence, r),
        ratio=ratio(one, other, confidence, r),
        p_value=difference_p_value(one, other, r),
        correlation=r,
        shared_patients=int(shared.sum()),
    )


def holm(p_values: Sequence[float]) -> list[float]:
    """Return p-values adjusted by Holm: the chance of any false alarm among all is controlled.

    The i-th smallest of n times n - i + 1, never below a smaller one's and at most 1.

    Parameters
    ----------
    p_values : 0 to 1

    Returns
    -------
    list of float, in the order given

    References
    ----------
    Holm S. Scand J Stat 1979;6:65-70 (from memory).

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03])
    [0.03, 0.06, 0.06]
    """
    count = len(p_values)
    adjusted = [0.0] * count
    reached = 0.0
    for rank, place in enumerate(sorted(range(count), key=lambda place: p_values[place])):
        reached = min(1.0, max(reached, (count - rank) * p_values[place]))
        adjusted[place] = reached
    return adjusted


def benjamini_hochberg(p_values: Sequence[float]) -> list[float]:
    """Return p-values adjusted by Benjamini and Hochberg: the share of false alarms is controlled.

    The i-th smallest of n times n/i, never above a larger one's and at most 1.

    Parameters
    ----------
    p_values : 0 to 1

    Returns
    -------
    list of float, in the order given

    References
    ----------
    Benjamini Y, Hochberg Y. J R Stat Soc B 1995;57:289-300.

    Examples
    --------
    >>> benjamini_hochberg([0.01, 0.04, 0.03])
    [0.03, 0.04, 0.04]
    """
    count = len(p_values)
    adjusted = [0.0] * count
    reached = 1.0
    ordered = sorted(range(count), key=lambda place: -p_values[place])
    for rank, place in zip(range(count, 0, -1), ordered, strict=True):
        reached = min(reached, p_values[place] * count / rank)
        adjusted[place] = reached
    return adjusted


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
        but events, and where a quarter parts events from the rest

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
    spread = sqrt(float(patients_covariance(fit, events, design, patients)[1, 1]))
    value = float(fit.coefficients[1])
    half = student_quantile(confidence, df) * spread
    odds_ratio = Estimate(exp(value), exp(value - half), exp(value + half))
    return Trend(odds_ratio, 2 * float(special.stdtr(df, -abs(value) / spread)), span)


def _difference(
    first: Proportion, second: Proportion, quantile: float, correlation: float
) -> Estimate:
    limits = [score_interval(one.events, one.size, quantile) for one in (first, second)]
    below = first.rate - limits[0].low, limits[1].high - second.rate
    above = limits[0].high - first.rate, second.rate - limits[1].low
    value = first.rate - second.rate
    low, high = (sqrt(max(a * a + b * b - 2 * correlation * a * b, 0.0)) for a, b in (below, above))
    return Estimate(value, max(value - low, -1.0), min(value + high, 1.0))


def _effective(
    events: Counts, sizes: Counts, unit: UnitClustering, confidence: float
) -> Proportion:
    """Return a group's proportion on its effective screws."""
    found = clustered_interval(events, sizes, unit, confidence)
    x, n = int(np.sum(events)), int(np.sum(sizes))
    # The counts, not rate times size, so that 0/n and n/n stay exact.
    return Proportion(
        found.effective if x == n else x / found.design_effect,
        found.effective,
    )


def _correlation(first: tuple[Counts, Counts], second: tuple[Counts, Counts]) -> float:
    """Return the correlation of the two linearised rates over patients, 0 to its highest."""
    parts = []
    for events, sizes in (first, second):
        y, m = np.asarray(events, dtype=np.float64), np.asarray(sizes, dtype=np.float64)
        parts.append(y - y.sum() / m.sum() * m)
    spread = sqrt(float((parts[0] ** 2).sum() * (parts[1] ** 2).sum()))
    if not spread:
        return 0.0
    return min(max(float((parts[0] * parts[1]).sum()) / spread, 0.0), HIGHEST_CORRELATION)
