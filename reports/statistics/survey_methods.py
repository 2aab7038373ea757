"""What survey software makes of the same counts: other intervals of a clustered proportion.

They stand in no table: each rests on a stratum's own patients alone and holds less often than it
says where these are few (the default interval of `clustered.py` was chosen for that). They are
here so that a statistician can lay them beside ours, and each is judged by R's survey package.
In the formulas p, n, x and K are as in `clustered.py`, se^2 is the linearised variance and t is
Student's quantile on K - 1 degrees of freedom.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from reports.statistics.clustered import linearised_variance
from reports.statistics.intervals import Interval, clopper_pearson, student_quantile
from reports.statistics.patient_sums import PatientSums

if TYPE_CHECKING:
    from reports.statistics.clustered import Counts


def fleiss_cuzick(events: Counts, sizes: Counts) -> float | None:
    """Return another estimate of the correlation within patients.

    rho = 1 - sum(y (m - y)/m) / ((n - K) p (1 - p)).

    Parameters
    ----------
    events, sizes : whole numbers, one a patient; sizes of 0 are left out

    Returns
    -------
    float or None : may be negative; None where all sizes are 1, without an event, and where all
        are events

    References
    ----------
    Fleiss JL, Cuzick J. Appl Psychol Meas 1979;3:537-542 (from memory).

    Examples
    --------
    >>> events = [13, 12, 9, 9, 8, 8, 12, 11, 9, 9, 8, 11, 4, 5, 7, 7]
    >>> sizes = [13, 12, 9, 9, 8, 8, 13, 12, 10, 10, 9, 13, 5, 7, 10, 10]
    >>> round(fleiss_cuzick(events, sizes), 6)  # re-computed, no published value
    0.021206
    """
    sums = PatientSums.along_last(events, sizes)
    n, x, k = float(sums.screws), float(sums.events), float(sums.patients)
    if n == k or x in {0.0, n}:
        return None
    p = x / n
    return 1 - float(sums.spread().within) / ((n - k) * p * (1 - p))


def korn_graubard(events: Counts, sizes: Counts, confidence: float = 0.95) -> Interval:
    """Return the exact interval on p(1-p)/se^2 (t(n-1)/t(K-1))^2 effective screws.

    Without an event, and where all are events, the effective number is n, and it is never more
    (presentation rule of Parker JD et al., Vital Health Stat 2(175), 2017; from memory). R's
    svyciprop(method = "beta") does neither.

    Parameters
    ----------
    events, sizes : whole numbers, one a patient; sizes of 0 are left out
    confidence : above 0 and below 1

    Raises
    ------
    ValueError : no graded screw, or `confidence` not between 0 and 1

    Examples
    --------
    >>> korn_graubard([3, 0, 0, 1], [10, 8, 9, 9]).rounded(4)  # as R survey 4.1.1
    (0.0013, 0.5347)
    """
    p, n, k, variance = _basics(events, sizes)
    effective = n
    if variance:
        ratio = student_quantile(confidence, n - 1) / student_quantile(confidence, k - 1)
        effective = min(p * (1 - p) / variance * ratio**2, n)
    return clopper_pearson(p * effective, effective, confidence)


def logit_interval(events: Counts, sizes: Counts, confidence: float = 0.95) -> Interval | None:
    """Return expit(logit p -+ t se/(p(1-p))), R's svyciprop with methods logit and xlogit.

    Parameters
    ----------
    events, sizes : whole numbers, one a patient; sizes of 0 are left out
    confidence : above 0 and below 1

    Returns
    -------
    Interval or None : None without an event, where all are events, and with fewer than two
        patients; R gives an interval of no width there

    Raises
    ------
    ValueError : no graded screw, or `confidence` not between 0 and 1
    """
    p, _, k, variance = _basics(events, sizes)
    if variance is None or p in {0.0, 1.0}:
        return None
    half = student_quantile(confidence, k - 1) * math.sqrt(variance) / (p * (1 - p))
    middle = float(special.logit(p))
    return Interval(float(special.expit(middle - half)), float(special.expit(middle + half)))


def arcsine_interval(events: Counts, sizes: Counts, confidence: float = 0.95) -> Interval | None:
    """Return sin^2(asin sqrt p -+ t se/(2 sqrt(p(1-p)))), its angles clipped to 0 and pi/2.

    R's svyciprop(method = "asin") does not clip, and then gives a lower limit above 0.

    Parameters
    ----------
    events, sizes : whole numbers, one a patient; sizes of 0 are left out
    confidence : above 0 and below 1

    Returns
    -------
    Interval or None : None as of `logit_interval`

    Raises
    ------
    ValueError : no graded screw, or `confidence` not between 0 and 1
    """
    p, _, k, variance = _basics(events, sizes)
    if variance is None or p in {0.0, 1.0}:
        return None
    half = student_quantile(confidence, k - 1) * math.sqrt(variance / (p * (1 - p))) / 2
    middle = math.asin(math.sqrt(p))
    low, high = max(middle - half, 0.0), min(middle + half, math.pi / 2)
    return Interval(math.sin(low) ** 2, math.sin(high) ** 2)


def plain_mean_interval(events: Counts, sizes: Counts, confidence: float = 0.95) -> Interval | None:
    """Return p -+ t se, R's svyciprop with method mean; it can leave 0 to 1.

    Parameters
    ----------
    events, sizes : whole numbers, one a patient; sizes of 0 are left out
    confidence : above 0 and below 1

    Returns
    -------
    Interval or None : None with fewer than two patients; not clipped

    Raises
    ------
    ValueError : no graded screw, or `confidence` not between 0 and 1
    """
    p, _, k, variance = _basics(events, sizes)
    if variance is None:
        return None
    half = student_quantile(confidence, k - 1) * math.sqrt(variance)
    return Interval(p - half, p + half)


def _basics(events: Counts, sizes: Counts) -> tuple[float, float, int, float | None]:
    """Return p, n, K and the linearised variance, which is None with fewer than two patients."""
    n, k = float(np.sum(sizes)), int(np.count_nonzero(sizes))
    if n == 0:
        raise ValueError("no interval without a graded screw")
    return float(np.sum(events)) / n, n, k, linearised_variance(events, sizes)
