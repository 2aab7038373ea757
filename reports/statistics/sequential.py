"""Charts that follow a run of screws: scores, sums and averages, each in the order handed in.

y is 1 for a screw with the event and 0 without, e its expected probability from a stated model.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

WORSE, BETTER = 2.0, 0.5
"""Odds ratios that the two sequential charts look for."""
EWMA_WEIGHT = 0.2
"""Weight of the newest value; common practice, no source."""


def scores(expected: Floats, odds_ratio: float) -> tuple[Floats, Floats]:
    """Return the log-likelihood scores of each screw, without and with the event.

    W = log(R^y / (1 - e + R e)).

    Parameters
    ----------
    expected : proportions, one a screw
    odds_ratio : float, R, above 0; 2 looks for doubled odds, 0.5 for halved

    Returns
    -------
    tuple of arrays : without the event, with it

    Raises
    ------
    ValueError : a number is outside its range

    References
    ----------
    Steiner SH, Cook RJ, Farewell VT, Treasure T. Monitoring surgical performance using
    risk-adjusted cumulative sum charts. Biostatistics 2000;1:441-452.

    Examples
    --------
    >>> without, having = scores(np.array([0.0992]), 0.5)  # Rigdon & Fricker's worked patient
    >>> round(float(without[0]), 4)
    0.0509
    """
    e = np.asarray(expected, dtype=np.float64)
    if (e < 0).any() or (e > 1).any():
        raise ValueError("an expected proportion lies outside 0 to 1")
    if not odds_ratio > 0:
        raise ValueError(f"an odds ratio of {odds_ratio}, not above 0")
    without = -np.log1p(e * (odds_ratio - 1))
    return without, without + np.log(odds_ratio)


def cusum(steps: Floats) -> Floats:
    """Return the cumulative sum that is never below 0, after each step: C = max(0, C + W).

    Parameters
    ----------
    steps : scores, in order; nothing is set back after a signal

    Returns
    -------
    array : of the same length

    Examples
    --------
    >>> cusum(np.array([-1.0, 2.0, -0.5, -3.0, 1.0])).tolist()  # by hand
    [0.0, 2.0, 1.5, 0.0, 1.0]
    """
    sums = np.cumsum(np.asarray(steps, dtype=np.float64))
    floors: Floats = sums - np.minimum(np.minimum.accumulate(sums), 0.0) if len(sums) else sums
    return floors


def signals(chart: Floats, limit: float) -> list[int]:
    """Return the places at which a chart reaches its limit, coming from below.

    Parameters
    ----------
    chart : values in order
    limit : a value at or above it is a signal

    Returns
    -------
    list of int : places from 0, in order

    Examples
    --------
    >>> signals(np.array([0.0, 2.0, 2.5, 1.0, 2.0]), 2.0)
    [1, 4]
    """
    beyond = np.asarray(chart) >= limit
    return [int(place) for place in np.flatnonzero(beyond & ~np.append(False, beyond[:-1]))]


def observed_minus_expected(events: Floats, expected: Floats) -> Floats:
    """Return the running sum of y - e: rises where there is more than expected.

    The variable life-adjusted display is its mirror, the running sum of e - y.

    Parameters
    ----------
    events : 0 or 1 a screw, or counts a step
    expected : proportions a screw, or their sums a step

    Returns
    -------
    array : of the same length

    Raises
    ------
    ValueError : the lengths differ

    Examples
    --------
    >>> observed_minus_expected(np.array([0, 1, 0]), np.array([0.25, 0.25, 0.5])).tolist()
    [-0.25, 0.5, 0.0]
    """
    if len(events) != len(expected):
        raise ValueError(f"{len(events)} events for {len(expected)} expected")
    running: Floats = np.cumsum(
        np.asarray(events, dtype=np.float64) - np.asarray(expected, dtype=np.float64)
    )
    return running


def ewma(
    values: Floats, variances: Floats, target: float, weight: float = EWMA_WEIGHT
) -> tuple[Floats, Floats]:
    """Return the exponentially weighted moving average and its standard deviation under the target.

    S = weight * value + (1 - weight) * S, from the target; the variance follows by the same rule
    with squared weights and tends to weight/(2 - weight) of a constant one. At low rates it is
    skewed: a guide, no limit.

    Parameters
    ----------
    values : rates in order, one a quarter
    variances : of each under the target, t (1 - t)/effective screws
    target : proportion, where the average starts
    weight : of the newest value, above 0 and at most 1

    Returns
    -------
    tuple of arrays : the averages, their standard deviations

    Raises
    ------
    ValueError : the lengths differ, or the weight is outside its range

    References
    ----------
    Roberts SW. Control chart tests based on geometric moving averages. Technometrics 1959;1:
    239-250 (from memory).

    Examples
    --------
    >>> average, deviation = ewma(np.array([0.1, 0.0]), np.array([0.01, 0.01]), 0.05, 0.5)
    >>> average.tolist(), deviation.round(4).tolist()  # by hand: .0025, .003125 the variances
    ([0.07500000000000001, 0.037500000000000006], [0.05, 0.0559])
    """
    if len(values) != len(variances):
        raise ValueError(f"{len(values)} values for {len(variances)} variances")
    if not 0 < weight <= 1:
        raise ValueError(f"a weight of {weight}, not above 0 and at most 1")
    averages, spreads = [], []
    average, variance = target, 0.0
    for value, own in zip(values, variances, strict=True):
        average = weight * value + (1 - weight) * average
        variance = weight**2 * own + (1 - weight) ** 2 * variance
        averages.append(average)
        spreads.append(variance**0.5)
    return np.array(averages, dtype=np.float64), np.array(spreads, dtype=np.float64)
