"""Two proportions against each other: difference, ratio, many comparisons.

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
from reports.statistics.intervals import (
    normal_quantile,
    score_interval,
    score_limits,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

HIGHEST_CORRELATION = 0.95
_ALIKE = 1e-12
_FARTHEST = 37.0  # standard deviations: beyond it a p-value is below what a float holds
_STEPS = np.arange(1, round(100 * _FARTHEST) + 1) / 100
"""Standard deviations at which lower confidences are looked at, up to the farthest."""

Quantiles = npt.NDArray[np.float64]


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
    d + sqrt((u1-p1)^2 + (p2-l2)^2 - 2 r (u1-p1)(p2-l2)). With a correlation and a group of very
    few the formula can give a higher confidence a narrower interval than a lower one; the interval
    then holds those of every lower confidence (in steps of 0.01 standard deviations).

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
    value = larger.rate - smaller.rate

    def lower_limits(quantiles: Quantiles) -> Quantiles:
        return value - _halves(larger, smaller, quantiles, correlation)[0]

    # The first confidence at which the interval holds 0: all higher ones hold it too.
    at_0 = np.flatnonzero(lower_limits(_STEPS) <= 0)
    if not len(at_0):
        return 2 * float(special.ndtr(-_FARTHEST))
    step = int(at_0[0])
    before = float(_STEPS[step - 1]) if step else _ALIKE
    z = optimize.brentq(lambda z: float(lower_limits(z)), before, float(_STEPS[step]), xtol=1e-12)
    return 2 * float(special.ndtr(-float(z)))


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


def _difference(
    first: Proportion, second: Proportion, quantile: float, correlation: float
) -> Estimate:
    for one in (first, second):
        score_interval(one.events, one.size, quantile)  # refuses what is no proportion
    value = first.rate - second.rate
    lesser = _STEPS[quantile > _STEPS] if correlation else _STEPS[:0]
    asked = np.append(lesser, quantile)
    low, high = (float(half.max()) for half in _halves(first, second, asked, correlation))
    return Estimate(value, max(value - low, -1.0), min(value + high, 1.0))


def _halves(
    first: Proportion, second: Proportion, quantiles: Quantiles, correlation: float
) -> tuple[Quantiles, Quantiles]:
    """Return how far the formula's limits lie below and above the difference, at each quantile."""
    (low, high), (other_low, other_high) = (
        score_limits(np.array(one.events), np.array(one.size), np.asarray(quantiles))
        for one in (first, second)
    )
    below = first.rate - low, other_high - second.rate
    above = high - first.rate, second.rate - other_low
    lower, upper = (
        np.sqrt(np.maximum(a * a + b * b - 2 * correlation * a * b, 0.0)) for a, b in (below, above)
    )
    return lower, upper


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
