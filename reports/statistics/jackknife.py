"""Intervals by leaving out one cluster at a time, for statistics made of sums over clusters."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reports.statistics.estimate import Estimate
from reports.statistics.intervals import student_quantile

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    Sums = npt.NDArray[np.float64]
    Statistic = Callable[[Sums], Sums]

_NO_SPREAD = 1e-12


def cluster_sums(values: npt.ArrayLike, clusters: npt.ArrayLike) -> Sums:
    """Return the sums of each column within each cluster.

    Parameters
    ----------
    values : (n, m) numbers, a row an observation
    clusters : (n,) what each observation belongs to, any kind that sorts

    Returns
    -------
    (K, m) array, in the order of the sorted clusters

    Raises
    ------
    ValueError : the lengths differ
    """
    table = np.atleast_2d(np.asarray(values, dtype=np.float64))
    names = np.asarray(clusters)
    if len(names) != len(table):
        raise ValueError(f"{len(names)} clusters for {len(table)} rows")
    found, place = np.unique(names, return_inverse=True)
    sums = np.zeros((len(found), table.shape[1]))
    np.add.at(sums, place.reshape(-1), table)
    return sums


def jackknife(
    sums: Sums,
    statistic: Statistic,
    confidence: float = 0.95,
    within: tuple[float, float] = (-np.inf, np.inf),
) -> Estimate:
    """Return a statistic of summed columns with its delete-one-cluster interval.

    se^2 = (K-1)/K sum((k_(i) - mean k_(i))^2), limits at Student's t on K - 1 degrees of freedom.

    Parameters
    ----------
    sums : (K, m) array, a row a cluster (`cluster_sums`)
    statistic : takes (..., m) sums and returns (...) values, not-a-number where undefined
    confidence : above 0 and below 1
    within : the statistic's own bounds, at which the limits are cut

    Returns
    -------
    Estimate : without limits where there is one cluster, where the statistic is not defined
        without one of them, and where leaving any one out changes nothing (then the spread cannot
        be seen, and a width of 0 would promise a certainty that is not there)

    References
    ----------
    Definition as for cluster samples in Efron B, Tibshirani RJ. An Introduction to the Bootstrap,
    1993, chapter 11 (from memory).

    Examples
    --------
    The mean of independent numbers, whose interval is the usual one of Student:

    >>> sums = cluster_sums([[1, 4.0], [1, 6.0], [1, 8.0]], [0, 1, 2])
    >>> found = jackknife(sums, lambda s: s[..., 1] / s[..., 0])
    >>> [round(number, 3) for number in (found.value, found.low, found.high)]
    [6.0, 1.032, 10.968]
    """
    if not len(sums):
        return Estimate()
    total = sums.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        value = float(statistic(total))
        left = np.asarray(statistic(total - sums), dtype=np.float64)
    if not np.isfinite(value):
        return Estimate()
    count = len(sums)
    if count < 2 or not np.isfinite(left).all():  # noqa: PLR2004 - one cluster has no spread
        return Estimate(value)
    error = np.sqrt((count - 1) / count * ((left - left.mean()) ** 2).sum())
    if error < _NO_SPREAD:
        return Estimate(value)
    reach = student_quantile(confidence, count - 1) * float(error)
    return Estimate(value, max(value - reach, within[0]), min(value + reach, within[1]))
