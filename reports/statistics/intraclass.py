"""Intraclass correlations of readers' millimetres, and their classical limits.

A two-way table: a row a screw, a column a reader. MSR is the mean square between screws, MSC
between readers, MSE the rest, MSW within screws.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from reports.statistics.intervals import Interval

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_ROUNDING = 1e-12


@dataclass(frozen=True)
class MeanSquares:
    """Mean squares of two-way tables; each a number or an array of the same shape.

    Attributes
    ----------
    screws, readers, error, within : MSR, MSC, MSE, MSW
    count : n, screws
    columns : k, readers
    """

    screws: Floats
    readers: Floats
    error: Floats
    within: Floats
    count: Floats
    columns: int


@dataclass(frozen=True)
class Intraclass:
    """The forms of the correlation, single and as the mean of k readers; NaN where undefined.

    Attributes
    ----------
    one_way, agreement, consistency : ICC(1,1), ICC(2,1), ICC(3,1)
    mean_one_way, mean_agreement, mean_consistency : ICC(1,k), ICC(2,k), ICC(3,k)
    """

    one_way: float
    agreement: float
    consistency: float
    mean_one_way: float
    mean_agreement: float
    mean_consistency: float


def row_sums(ratings: npt.ArrayLike) -> Floats:
    """Return of each screw what the mean squares are sums of.

    Parameters
    ----------
    ratings : (n, k) mm, a row a screw, a column a reader, nothing missing

    Returns
    -------
    (n, 3 + k) array : 1, the sum of squares, the squared sum, and each reader's own number
    """
    table = np.asarray(ratings, dtype=np.float64)
    return np.column_stack(
        [np.ones(len(table)), (table**2).sum(axis=1), table.sum(axis=1) ** 2, table]
    )


def mean_squares(sums: Floats) -> MeanSquares:
    """Return the mean squares of summed `row_sums`, (..., 3 + k); undefined below two screws."""
    number, squares, of_rows = sums[..., 0], sums[..., 1], sums[..., 2]
    columns = sums.shape[-1] - 3
    whole = sums[..., 3:].sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        middle = whole**2 / (number * columns)
        between = of_rows / columns - middle
        readers = (sums[..., 3:] ** 2).sum(axis=-1) / number - middle
        rest = squares - middle - between - readers

        def told(part: Floats) -> Floats:
            # What rounding leaves of large sums that cancel out is nothing: else all screws alike
            # would give a correlation of 1, or none, as it falls.
            return np.asarray(np.where(part > _ROUNDING * squares, part, 0.0))

        return MeanSquares(
            told(between) / (number - 1),
            told(readers) / (columns - 1),
            told(rest) / ((number - 1) * (columns - 1)),
            told(squares - of_rows / columns) / (number * (columns - 1)),
            number,
            columns,
        )


def agreements(sums: Floats) -> Floats:
    """Return ICC(2,1) of summed `row_sums`: two-way random, absolute agreement, one reader.

    (MSR - MSE) / (MSR + (k-1) MSE + k (MSC - MSE) / n).
    """
    found = mean_squares(sums)
    k = found.columns
    readers = k * (found.readers - found.error) / found.count
    return _ratio(found.screws - found.error, found.screws + (k - 1) * found.error + readers)


def consistencies(sums: Floats) -> Floats:
    """Return ICC(3,1) of summed `row_sums`: these readers, consistency, one reader.

    (MSR - MSE) / (MSR + (k-1) MSE).
    """
    found = mean_squares(sums)
    k = found.columns
    return _ratio(found.screws - found.error, found.screws + (k - 1) * found.error)


def intraclass(ratings: npt.ArrayLike) -> Intraclass:
    """Return every form of the correlation.

    Parameters
    ----------
    ratings : (n, k) mm, a row a screw, a column a reader, nothing missing

    Returns
    -------
    Intraclass

    References
    ----------
    Shrout PE, Fleiss JL. Psychological Bulletin 1979;86:420-428, the paper's own six targets and
    four judges.

    Examples
    --------
    >>> found = intraclass([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6],
    ...                     [10, 5, 6, 9], [6, 2, 4, 7]])
    >>> [round(icc, 2) for icc in (found.one_way, found.agreement, found.consistency)]
    [0.17, 0.29, 0.71]
    """
    sums = row_sums(ratings).sum(axis=0)
    found = mean_squares(sums)
    k, n = found.columns, found.count
    rest = found.screws - found.error
    return Intraclass(
        one_way=float(_ratio(found.screws - found.within, found.screws + (k - 1) * found.within)),
        agreement=float(agreements(sums)),
        consistency=float(consistencies(sums)),
        mean_one_way=float(_ratio(found.screws - found.within, found.screws)),
        mean_agreement=float(_ratio(rest, found.screws + (found.readers - found.error) / n)),
        mean_consistency=float(_ratio(rest, found.screws)),
    )


def consistency_limits(ratings: npt.ArrayLike, confidence: float = 0.95) -> Interval:
    """Return the classical limits of ICC(3,1), screws as independent.

    Parameters
    ----------
    ratings : (n, k) mm, at least two screws and two readers that differ somewhere
    confidence : above 0 and below 1

    References
    ----------
    Shrout and Fleiss 1979, as in R's psych.
    """
    found = mean_squares(row_sums(ratings).sum(axis=0))
    k, n, tail = found.columns, float(found.count), (1 - confidence) / 2
    ratio = float(found.screws / found.error)
    first, second = n - 1, (n - 1) * (k - 1)
    low = ratio / _f_above(tail, first, second)
    high = ratio * _f_above(tail, second, first)
    return Interval(float((low - 1) / (low + k - 1)), float((high - 1) / (high + k - 1)))


def agreement_limits(ratings: npt.ArrayLike, confidence: float = 0.95) -> Interval:
    """Return the classical limits of ICC(2,1), screws as independent.

    Parameters
    ----------
    ratings : (n, k) mm, at least two screws and two readers that differ somewhere
    confidence : above 0 and below 1

    References
    ----------
    Shrout and Fleiss 1979, with Satterthwaite's degrees of freedom.
    """
    sums = row_sums(ratings).sum(axis=0)
    found = mean_squares(sums)
    value = float(agreements(sums))
    k, n, tail = found.columns, float(found.count), (1 - confidence) / 2
    screws, readers, error = (float(each) for each in (found.screws, found.readers, found.error))
    ratio = readers / error
    whole = n * (1 + (k - 1) * value) - k * value
    df = (
        (k - 1) * (n - 1) * (k * value * ratio + whole) ** 2
        / ((n - 1) * k**2 * value**2 * ratio**2 + whole**2)
    )  # fmt: skip
    upper, lower = _f_above(tail, n - 1, df), _f_above(tail, df, n - 1)
    rest = k * readers + (k * n - k - n) * error
    return Interval(
        float(n * (screws - upper * error) / (upper * rest + n * screws)),
        float(n * (lower * screws - error) / (rest + n * lower * screws)),
    )


def _f_above(tail: float, first: float, second: float) -> float:
    """Return what an F variate with these degrees of freedom exceeds with probability `tail`."""
    return float(special.fdtri(first, second, 1 - tail))


def _ratio(above: Floats, below: Floats) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(below > 0, above / below, np.nan))
