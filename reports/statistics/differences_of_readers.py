"""How far two readers' millimetres lie apart, and whether that drifts: bias, limits, slope."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reports.statistics.estimate import Estimate
from reports.statistics.intervals import normal_quantile
from reports.statistics.jackknife import cluster_sums, jackknife

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class LimitsOfAgreement:
    """The mean difference and the limits between which most differences lie.

    Attributes
    ----------
    bias, lower, upper : each with its own interval
    sd : standard deviation of the differences; None below two
    """

    bias: Estimate
    sd: float | None
    lower: Estimate
    upper: Estimate


def limits_of_agreement(
    differences: npt.ArrayLike,
    clusters: npt.ArrayLike,
    confidence: float = 0.95,
    multiple: float | None = None,
) -> LimitsOfAgreement:
    """Return bias and limits, mean -+ 1.96 sd, with intervals that allow for the clusters.

    Parameters
    ----------
    differences : (n,) mm, one reader's minus the other's
    clusters : (n,) the patient of each
    confidence : of the intervals
    multiple : of the standard deviation; None for 1.96, the paper itself used 2

    Returns
    -------
    LimitsOfAgreement : its intervals by leaving out one patient at a time

    References
    ----------
    Bland JM, Altman DG. Lancet 1986;i:307-310.

    Examples
    --------
    Peak flow of seventeen people by two meters, from the paper; each its own cluster:

    >>> apart = [-18, -35, -4, 6, -24, -43, 49, 62, -8, -12, -15, 30, 7, 1, -81, 73, -24]
    >>> found = limits_of_agreement(apart, range(17))
    >>> round(found.bias.value, 1), round(found.sd, 1)
    (-2.1, 38.8)
    """
    apart = np.asarray(differences, dtype=np.float64)
    if not len(apart):
        return LimitsOfAgreement(Estimate(), None, Estimate(), Estimate())
    times = normal_quantile(0.95) if multiple is None else multiple
    sums = cluster_sums(np.column_stack([np.ones(len(apart)), apart, apart**2]), clusters)

    def at(step: float) -> Estimate:
        return jackknife(sums, lambda each: _mean(each) + step * _sd(each), confidence)

    sd = float(_sd(sums.sum(axis=0)))
    return LimitsOfAgreement(
        jackknife(sums, _mean, confidence), sd if np.isfinite(sd) else None, at(-times), at(times)
    )


def classical_limits_errors(differences: npt.ArrayLike) -> tuple[float, float]:
    """Return the usual standard errors of bias and of a limit, screws as independent.

    sd/sqrt(n), and sqrt(1/n + 1.96^2/(2(n-1))) sd. A check for the intervals over patients.

    References
    ----------
    Bland JM, Altman DG. Statistical Methods in Medical Research 1999;8:135-160 (from memory).
    """
    apart = np.asarray(differences, dtype=np.float64)
    n, sd = len(apart), float(apart.std(ddof=1))
    z = normal_quantile(0.95)
    return sd / np.sqrt(n), float(np.sqrt(1 / n + z * z / (2 * (n - 1))) * sd)


def slope(
    times: npt.ArrayLike, values: npt.ArrayLike, clusters: npt.ArrayLike, confidence: float = 0.95
) -> Estimate:
    """Return the least-squares change of a value with time, with its interval over clusters.

    Parameters
    ----------
    times : (n,) such as years
    values : (n,) such as mm
    clusters : (n,) the patient of each
    confidence : of the interval

    Returns
    -------
    Estimate : nothing where all times are the same

    Examples
    --------
    >>> slope([0, 1, 2, 3], [0.0, 1.0, 2.0, 3.0], [1, 2, 3, 4]).value
    1.0
    """
    when, value = np.asarray(times, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if not len(when):
        return Estimate()
    # From the middle, so that squares of far-off times lose no digits.
    when = when - when.mean()
    columns = [np.ones(len(when)), when, value, when**2, when * value]
    return jackknife(cluster_sums(np.column_stack(columns), clusters), _slopes, confidence)


def _mean(sums: Floats) -> Floats:
    return np.asarray(sums[..., 1] / sums[..., 0])


def _sd(sums: Floats) -> Floats:
    n = sums[..., 0]
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = (sums[..., 2] - sums[..., 1] ** 2 / n) / (n - 1)
    return np.asarray(np.sqrt(np.where(n > 1, np.maximum(spread, 0.0), np.nan)))


def _slopes(sums: Floats) -> Floats:
    n, t, v, tt, tv = (sums[..., place] for place in range(5))
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = tt - t**2 / n
        return np.asarray(np.where(spread > 1e-9, (tv - t * v / n) / spread, np.nan))  # noqa: PLR2004 - rounding
