"""Surgeons' rates drawn towards the unit's, the less there is to go by the further.

The model: a surgeon's events among effective screws are binomial at the surgeon's own rate; the
surgeons' rates have a beta distribution whose mean is the target, known, and whose standard
deviation on the scale of log odds is unknown, with a half-normal prior of scale 0.5. What is
returned are the mean and the equal-tailed limits of each surgeon's rate given all surgeons' counts.
The prior is an assumption of ours: it keeps the estimates sensible where few surgeons tell nothing
of how far they differ, and gives way as they become many.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from reports.statistics.estimate import Estimate

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

PRIOR_SCALE = 0.5
_SPREADS = np.linspace(0.01, 2.0, 100)
_HALVINGS = 40


def shrunken(
    events: Sequence[float],
    effective: Sequence[float],
    target: float,
    confidence: float = 0.95,
    prior_scale: float = PRIOR_SCALE,
) -> list[Estimate]:
    """Return each surgeon's rate, drawn towards the target.

    Parameters
    ----------
    events : effective events (rate times effective screws), one a surgeon, need not be whole
    effective : effective screws, at least the events, one a surgeon
    target : float, proportion
    confidence : float, above 0 and below 1
    prior_scale : float, above 0, of the half-normal prior

    Returns
    -------
    list of Estimate : in the order given; without numbers where the target is 0 or 1

    Raises
    ------
    ValueError : the lengths differ, or events are outside 0 to the effective screws

    References
    ----------
    Beta-binomial model: Spiegelhalter DJ, Abrams KR, Myles JP. Bayesian Approaches to Clinical
    Trials and Health-Care Evaluation. Wiley 2004 (from memory). Half-normal 0.5 as a usual weak
    prior of a spread of log odds: Rover C et al. Res Synth Methods 2021;12:448-474 (from memory).

    Examples
    --------
    A surgeon without an event is drawn up, the more the fewer screws:

    >>> few, many = shrunken([0, 0], [20, 400], 0.05)
    >>> 0 < many.value < few.value < 0.05
    True
    """
    x, n = np.asarray(events, dtype=np.float64), np.asarray(effective, dtype=np.float64)
    if x.shape != n.shape:
        raise ValueError(f"{len(x)} events for {len(n)} effective numbers")
    if (x < 0).any() or (x > n).any():
        raise ValueError("events lie outside 0 to the effective screws")
    if not 0 < target < 1:
        return [Estimate() for _ in x]
    first, second, weights = _mixture(x, n, target, prior_scale)
    means = first / (first + second)
    tail = (1 - confidence) / 2
    values = means @ weights
    lows = _quantiles(first, second, weights, tail)
    highs = _quantiles(first, second, weights, 1 - tail)
    return [
        Estimate(float(value), float(low), float(high))
        for value, low, high in zip(values, lows, highs, strict=True)
    ]


def _mixture(
    x: npt.NDArray[np.float64], n: npt.NDArray[np.float64], target: float, prior_scale: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the beta distributions of each surgeon's rate, a column a spread, and their weights.

    The variance target (1 - target)/(M + 1) of a beta distribution is that of log odds with a
    standard deviation s times (target (1 - target))^2, to the first order.
    """
    size = 1 / (_SPREADS**2 * target * (1 - target)) - 1
    spreads, size = _SPREADS[size > 0], size[size > 0]
    a, b = target * size, (1 - target) * size
    log_weight = -0.5 * (spreads / prior_scale) ** 2
    first, second = x[:, None] + a, (n - x)[:, None] + b
    log_weight = log_weight + (special.betaln(first, second) - special.betaln(a, b)).sum(axis=0)
    weights = np.exp(log_weight - log_weight.max())
    return first, second, weights / weights.sum()


def _quantiles(
    first: npt.NDArray[np.float64],
    second: npt.NDArray[np.float64],
    weights: npt.NDArray[np.float64],
    tail: float,
) -> npt.NDArray[np.float64]:
    """Return where each surgeon's mixture reaches a probability, by halving."""
    low, high = np.zeros(len(first)), np.ones(len(first))
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        reached = special.betainc(first, second, middle[:, None]) @ weights
        low = np.where(reached < tail, middle, low)
        high = np.where(reached < tail, high, middle)
    return (low + high) / 2
