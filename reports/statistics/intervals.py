"""Intervals of one proportion whose observations are taken as independent.

Every function takes counts that need not be whole, so that the same formulas serve an effective
number of observations.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, special

if TYPE_CHECKING:
    import numpy.typing as npt


@dataclass(frozen=True)
class Interval:
    """Two limits of a proportion.

    Attributes
    ----------
    low : float, 0 to `high`
    high : float, `low` to 1
    """

    low: float
    high: float

    def rounded(self, digits: int) -> tuple[float, float]:
        """Return both limits rounded to a number of decimals."""
        return round(self.low, digits), round(self.high, digits)


def normal_quantile(confidence: float) -> float:
    """Return the two-sided quantile of the normal distribution, 1.96 at 0.95.

    Parameters
    ----------
    confidence : float, above 0 and below 1

    Raises
    ------
    ValueError : `confidence` is not between 0 and 1

    Examples
    --------
    >>> round(normal_quantile(0.95), 9)
    1.959963985
    """
    return -float(special.ndtri(_tail(confidence)))


def student_quantile(confidence: float, df: float) -> float:
    """Return the two-sided quantile of Student's t.

    Parameters
    ----------
    confidence : float, above 0 and below 1
    df : float, degrees of freedom, above 0, need not be whole

    Raises
    ------
    ValueError : `confidence` is not between 0 and 1, or `df` is not above 0

    Examples
    --------
    >>> round(student_quantile(0.95, 10), 3)  # the usual table of t, common practice, no source
    2.228
    """
    if not df > 0:
        raise ValueError(f"degrees of freedom are {df}, not above 0")
    return float(student_quantiles(confidence, np.array(df)))


def student_quantiles(confidence: float, df: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return `student_quantile` of each of many degrees of freedom, all above 0."""
    return np.asarray(-special.stdtrit(df, _tail(confidence)))


def score_interval(events: float, size: float, quantile: float) -> Interval:
    """Return the score interval of a proportion for a quantile that the caller chose.

    (p + q^2/2n -+ q sqrt(p(1-p)/n + q^2/4n^2)) / (1 + q^2/n), clipped to 0-1; the lower limit is
    exactly 0 without an event, the upper exactly 1 when all are events.

    Parameters
    ----------
    events : float, 0 to `size`, need not be whole
    size : float, above 0, need not be whole
    quantile : float, above 0; z for independent observations

    Returns
    -------
    Interval : low and high, proportions

    Raises
    ------
    ValueError : `events` is outside 0 to `size`, or `size` is not above 0

    Examples
    --------
    >>> score_interval(15, 148, 1.959963985).rounded(4)  # Newcombe 1998, Table I
    (0.0624, 0.1605)
    """
    _check(events, size)
    low, high = score_limits(np.array(events), np.array(size), np.array(quantile))
    return Interval(low=float(low), high=float(high))


def score_limits(
    events: npt.NDArray[np.float64],
    sizes: npt.NDArray[np.float64],
    quantiles: npt.NDArray[np.float64],
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return `score_interval` of many proportions, the lower limits and the upper ones."""
    rate = events / sizes
    square = quantiles * quantiles / sizes
    spread = np.sqrt(rate * (1 - rate) * square + square * square / 4)
    low = (rate + square / 2 - spread) / (1 + square)
    high = (rate + square / 2 + spread) / (1 + square)
    # Rounding alone can push a limit past 0, 1 or the rate itself.
    return (
        np.where(events == 0, 0.0, np.minimum(np.maximum(low, 0.0), rate)),
        np.where(events == sizes, 1.0, np.maximum(np.minimum(high, 1.0), rate)),
    )


def wilson(breached: float, graded: float, confidence: float = 0.95) -> Interval:
    """Return the score interval of a proportion, screws taken as independent.

    Parameters
    ----------
    breached : float, screws, 0 to `graded`
    graded : float, screws, above 0
    confidence : float, above 0 and below 1

    Returns
    -------
    Interval : low and high, proportions, clipped to 0-1

    Raises
    ------
    ValueError : `breached` is outside 0 to `graded`, `graded` is not above 0, or `confidence` is
        not between 0 and 1

    References
    ----------
    Newcombe RG. Two-sided confidence intervals for the single proportion: comparison of seven
    methods. Stat Med 1998;17:857-872, method 3.

    Examples
    --------
    >>> wilson(81, 263).rounded(4)  # Newcombe 1998, Table I
    (0.2553, 0.3662)
    """
    return score_interval(breached, graded, normal_quantile(confidence))


def wilson_corrected(breached: float, graded: float, confidence: float = 0.95) -> Interval:
    """Return the score interval with continuity correction; a cross-check, offered nowhere.

    Parameters
    ----------
    breached : float, screws, 0 to `graded`
    graded : float, screws, above 0
    confidence : float, above 0 and below 1

    Returns
    -------
    Interval : low and high, proportions; low 0 without a breach, high 1 where all are

    Raises
    ------
    ValueError : as `wilson`

    References
    ----------
    Newcombe RG. Two-sided confidence intervals for the single proportion: comparison of seven
    methods. Stat Med 1998;17:857-872, method 4 (formula from memory; the printed values agree).

    Examples
    --------
    >>> wilson_corrected(15, 148).rounded(4)  # Newcombe 1998, Table I
    (0.0598, 0.1644)
    """
    _check(breached, graded)
    z = normal_quantile(confidence)
    p, n = breached / graded, graded
    twice = 2 * (n + z * z)
    low_root = math.sqrt(max(0.0, z * z - 2 - 1 / n + 4 * p * (n * (1 - p) + 1)))
    high_root = math.sqrt(max(0.0, z * z + 2 - 1 / n + 4 * p * (n * (1 - p) - 1)))
    low = (2 * n * p + z * z - 1 - z * low_root) / twice
    high = (2 * n * p + z * z + 1 + z * high_root) / twice
    return Interval(
        low=0.0 if breached == 0 else max(0.0, low),
        high=1.0 if breached == graded else min(1.0, high),
    )


def clopper_pearson(breached: float, graded: float, confidence: float = 0.95) -> Interval:
    """Return the exact (tail area) interval of a proportion, screws taken as independent.

    The limits are quantiles of Beta(x, n-x+1) and Beta(x+1, n-x); 0 at x = 0 and 1 at x = n.

    Parameters
    ----------
    breached : float, screws, 0 to `graded`, need not be whole
    graded : float, screws, above 0, need not be whole
    confidence : float, above 0 and below 1

    Returns
    -------
    Interval : low and high, proportions

    Raises
    ------
    ValueError : `breached` is outside 0 to `graded`, `graded` is not above 0, or `confidence` is
        not between 0 and 1

    References
    ----------
    Newcombe RG. Two-sided confidence intervals for the single proportion: comparison of seven
    methods. Stat Med 1998;17:857-872, method 5.

    Examples
    --------
    >>> clopper_pearson(81, 263).rounded(4)  # Newcombe 1998, Table I
    (0.2527, 0.3676)
    """
    _check(breached, graded)
    low, high = exact_limits(np.array(float(breached)), np.array(float(graded)), confidence)
    return Interval(low=float(low), high=float(high))


def exact_limits(
    events: npt.NDArray[np.float64], sizes: npt.NDArray[np.float64], confidence: float = 0.95
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return `clopper_pearson` of many proportions, the lower limits and the upper ones.

    Not-a-number where there is nothing to take a proportion of.
    """
    others, tail = sizes - events, _tail(confidence)
    low = np.where(events == 0, 0.0, special.betaincinv(events, others + 1, tail))
    high = np.where(others == 0, 1.0, special.betainccinv(events + 1, others, tail))
    return np.where(sizes > 0, low, np.nan), np.where(sizes > 0, high, np.nan)


def mid_p(breached: float, graded: float, confidence: float = 0.95) -> Interval:
    """Return the mid-P interval of a proportion, screws taken as independent.

    The limits solve P(X > x) + P(X = x)/2 = tail and P(X < x) + P(X = x)/2 = tail; 0 at x = 0 and
    1 at x = n.

    Parameters
    ----------
    breached : float, screws, 0 to `graded`, whole
    graded : float, screws, above 0, whole
    confidence : float, above 0 and below 1

    Returns
    -------
    Interval : low and high, proportions

    Raises
    ------
    ValueError : `breached` is outside 0 to `graded`, a number is not whole, `graded` is not above
        0, or `confidence` is not between 0 and 1

    References
    ----------
    Newcombe RG. Two-sided confidence intervals for the single proportion: comparison of seven
    methods. Stat Med 1998;17:857-872, method 6.

    Examples
    --------
    >>> mid_p(81, 263).rounded(4)  # Newcombe 1998, Table I
    (0.2544, 0.3658)
    """
    _check(breached, graded)
    if breached % 1 or graded % 1:
        raise ValueError(f"mid-P needs whole numbers of observations, not {breached} in {graded}")
    tail = _tail(confidence)

    def upper(share: float) -> float:
        # Half of P(X >= x) and half of P(X > x).
        more = special.betainc(breached + 1, graded - breached, share) if breached < graded else 0.0
        return float(special.betainc(breached, graded - breached + 1, share) + more) / 2

    def lower(share: float) -> float:
        fewer = special.betaincc(breached, graded - breached + 1, share) if breached else 0.0
        return float(special.betaincc(breached + 1, graded - breached, share) + fewer) / 2

    low, high = 0.0, 1.0
    if breached > 0:
        low = float(optimize.brentq(lambda share: upper(share) - tail, 0.0, 1.0, xtol=1e-14))
    if breached < graded:
        high = float(optimize.brentq(lambda share: lower(share) - tail, 0.0, 1.0, xtol=1e-14))
    return Interval(low=low, high=high)


def jeffreys(breached: float, graded: float, confidence: float = 0.95) -> Interval:
    """Return the equal-tailed interval under Jeffreys' prior, screws taken as independent.

    The limits are quantiles of Beta(x+1/2, n-x+1/2); 0 at x = 0 and 1 at x = n.

    Parameters
    ----------
    breached : float, screws, 0 to `graded`, need not be whole
    graded : float, screws, above 0, need not be whole
    confidence : float, above 0 and below 1

    Returns
    -------
    Interval : low and high, proportions

    Raises
    ------
    ValueError : `breached` is outside 0 to `graded`, `graded` is not above 0, or `confidence` is
        not between 0 and 1

    References
    ----------
    Brown LD, Cai TT, DasGupta A. Interval estimation for a binomial proportion.
    Stat Sci 2001;16:101-133 (definition, from memory).

    Examples
    --------
    >>> jeffreys(3, 100).rounded(4)  # re-computed with scipy, no published value
    (0.0085, 0.0779)
    """
    _check(breached, graded)
    contained = graded - breached
    tail = _tail(confidence)
    shapes = (breached + 0.5, contained + 0.5)
    low = 0.0 if breached == 0 else float(special.betaincinv(*shapes, tail))
    high = 1.0 if contained == 0 else float(special.betainccinv(*shapes, tail))
    return Interval(low=low, high=high)


def _tail(confidence: float) -> float:
    """Return the probability left beyond each limit."""
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence}, not between 0 and 1")
    return (1 - confidence) / 2


def _check(events: float, size: float) -> None:
    """Refuse counts of which no proportion can be made."""
    if not size > 0:
        raise ValueError(f"no proportion of {size} observations")
    if not 0 <= events <= size:
        raise ValueError(f"{events} events among {size} observations")
