"""A funnel plot's limits on effective screws, and how far the points spread beyond chance.

Everything takes the target as given: the unit's overall rate or a stated standard, not estimated
again for each point. Effective screws are graded screws divided by their design effect; drawn on
plain screws the outer limits give false alarms twentyfold where screws share patients.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from reports.statistics.intervals import Interval

if TYPE_CHECKING:
    from collections.abc import Sequence

ALERT, ALARM = 0.95, 0.998
"""The two pairs of limits: Spiegelhalter 2005, Stat Med 24:1185-1202."""

WINSORISED = 0.10
"""Share at each end whose z scores are pulled in before the spread is judged."""
ENOUGH_FOR_SPREAD = 10
"""With fewer surgeons the spread is too unsure to widen anything by it; ours, no source."""


@dataclass(frozen=True)
class Spread:
    """How far the points of a funnel lie apart, as multiples of what chance alone gives.

    Attributes
    ----------
    phi : float, mean square of the winsorised z scores; about 1 where chance is all there is
    p_value : float, of a spread at least as wide under chance alone (chi-square on `surgeons`)
    tau_squared : float, variance between surgeons beyond chance, at least 0
    surgeons : int, points with effective screws
    winsorised : int, z scores that were pulled in
    """

    phi: float
    p_value: float
    tau_squared: float
    surgeons: int
    winsorised: int

    @property
    def is_enough(self) -> bool:
        """Return whether there are enough points to widen limits by the spread."""
        return self.surgeons >= ENOUGH_FOR_SPREAD


def funnel_limits(target: float, effective: float, confidence: float) -> Interval:
    """Return the exact interpolated limits at a number of effective screws.

    At a tail q: r is the smallest whole number with F(r) >= q, a = (F(r) - q)/(F(r) - F(r - 1)),
    the limit (r - a)/n clipped to 0-1 and to its side of the target, with F the binomial
    distribution of n screws at the target.
    Between two whole numbers of screws the limits are interpolated.

    Parameters
    ----------
    target : float, proportion, 0 to 1
    effective : float, effective screws, above 0; below 1 taken as 1
    confidence : float, above 0 and below 1

    Returns
    -------
    Interval : the target itself on both sides where it is 0 or 1

    Raises
    ------
    ValueError : a number is outside its range

    References
    ----------
    Spiegelhalter DJ. Funnel plots for comparing institutional performance. Stat Med 2005;24:
    1185-1202, appendix (formula from memory; the paper was not read).

    Examples
    --------
    By hand: n = 2, target 1/2, upper tail .9: F(1) = .75, F(2) = 1, r = 2, a = .4, limit .8.

    >>> funnel_limits(0.5, 2, 0.8).rounded(4)
    (0.0, 0.8)
    """
    if not 0 <= target <= 1:
        raise ValueError(f"a target of {target}, not 0 to 1")
    if not effective > 0:
        raise ValueError(f"no limits at {effective} effective screws")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence}, not between 0 and 1")
    if target in {0, 1}:
        return Interval(float(target), float(target))
    size = max(effective, 1.0)
    whole = math.floor(size)
    part = size - whole
    tail = (1 - confidence) / 2
    ends = []
    for quantile in (tail, 1 - tail):
        limit = _exact_limit(target, whole, quantile)
        if part:
            limit += part * (_exact_limit(target, whole + 1, quantile) - limit)
        ends.append(limit)
    # With hardly an event expected the definition would put the upper limit under the target.
    return Interval(min(ends[0], target), max(ends[1], target))


@lru_cache(maxsize=100_000)
def _exact_limit(target: float, size: int, quantile: float) -> float:
    """Return the interpolated limit at a whole number of screws."""

    def below(count: int) -> float:
        return float(special.bdtr(count, size, target)) if count >= 0 else 0.0

    # The continuous inverse is near; what decides is the distribution itself.
    guess = special.bdtrik(quantile, size, target)
    place = min(size, max(0, math.ceil(guess))) if math.isfinite(guess) else 0
    while place > 0 and below(place - 1) >= quantile:
        place -= 1
    while below(place) < quantile:
        place += 1
    over, under = below(place), below(place - 1)
    return min(1.0, max(0.0, (place - (over - quantile) / (over - under)) / size))


def spread(
    rates: Sequence[float], effective: Sequence[float], target: float, share: float = WINSORISED
) -> Spread | None:
    """Return how far surgeons' rates lie apart, beyond what chance gives.

    z = (rate - target)/sqrt(target (1 - target)/n); those below their `share` quantile and above
    the mirrored one are set to it; phi is the mean of the squares. The variance between surgeons
    is max(0, (I phi - (I - 1))/(sum w - sum w^2/sum w)) with w = n/(target (1 - target)).

    Parameters
    ----------
    rates : proportions, one a surgeon
    effective : effective screws, above 0, one a surgeon
    target : proportion
    share : float, 0 to below 0.5; quantiles as of numpy's default (R's type 7)

    Returns
    -------
    Spread or None : None without a surgeon, and where the target is 0 or 1

    Raises
    ------
    ValueError : the lengths differ

    References
    ----------
    Spiegelhalter DJ. Handling over-dispersion of performance indicators. Qual Saf Health Care
    2005;14:347-351 (rule read as quoted from its supplement). tau^2: DerSimonian R, Laird N.
    Control Clin Trials 1986;7:177-188 (from memory).

    Examples
    --------
    By hand: z = -1, 0, 1 (100 screws, standard error .03); no winsorising, phi = 2/3.

    >>> found = spread([0.07, 0.10, 0.13], [100, 100, 100], 0.10, share=0)
    >>> round(found.phi, 6), found.tau_squared
    (0.666667, 0.0)
    """
    if len(rates) != len(effective):
        raise ValueError(f"{len(rates)} rates for {len(effective)} effective numbers")
    if not rates or target in {0, 1}:
        return None
    variance = target * (1 - target)
    weights = np.asarray(effective, dtype=np.float64) / variance
    z = (np.asarray(rates, dtype=np.float64) - target) * np.sqrt(weights)
    low, high = np.quantile(z, [share, 1 - share])
    pulled = np.clip(z, low, high)
    number = len(z)
    phi = float((pulled**2).mean())
    room = float(weights.sum() - (weights**2).sum() / weights.sum())
    between = max(0.0, (number * phi - (number - 1)) / room) if room > 0 else 0.0
    return Spread(
        phi=phi,
        p_value=float(special.chdtrc(number, number * phi)),
        tau_squared=between,
        surgeons=number,
        winsorised=int(np.count_nonzero(pulled != z)),
    )


def widened_multiplicative(limits: Interval, target: float, found: Spread) -> Interval:
    """Return limits moved away from the target by sqrt(phi) where phi is above 1.

    Parameters
    ----------
    limits : round the target
    target : proportion
    found : the spread

    Returns
    -------
    Interval : clipped to 0-1
    """
    return _moved(limits, target, math.sqrt(max(1.0, found.phi)))


def widened_additive(limits: Interval, target: float, effective: float, found: Spread) -> Interval:
    """Return limits for surgeons whose true rates differ with variance tau^2.

    The distance from the target grows by sqrt((se^2 + tau^2)/se^2).

    Parameters
    ----------
    limits : round the target, at `effective` screws
    target : proportion, neither 0 nor 1
    effective : effective screws, above 0
    found : the spread

    Returns
    -------
    Interval : clipped to 0-1
    """
    error = target * (1 - target) / effective
    return _moved(limits, target, math.sqrt((error + found.tau_squared) / error))


def _moved(limits: Interval, target: float, factor: float) -> Interval:
    return Interval(
        low=max(0.0, target - (target - limits.low) * factor),
        high=min(1.0, target + (limits.high - target) * factor),
    )
