"""Agreement of readers about grades: kappa in its forms, AC1, agreement class by class.

A table of two readers holds counts (or shares): a row each grade of the first, a column each grade
of the second, every grade of the scale in its order, also those that nobody used.
"""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_NOTHING = 1e-12


class Weights(StrEnum):
    """How much of an agreement two different grades are."""

    UNWEIGHTED = "unweighted"
    LINEAR = "linear"
    QUADRATIC = "quadratic"


def weights_of(name: Weights, grades: int) -> Floats:
    """Return the weights of a scale: 1 on the diagonal.

    Parameters
    ----------
    name : unweighted (0 beside the diagonal), linear 1-|i-j|/(k-1), quadratic 1-(i-j)^2/(k-1)^2
    grades : k, all of the scale, at least 2

    Returns
    -------
    (k, k) array

    Raises
    ------
    ValueError : fewer than two grades

    Examples
    --------
    >>> weights_of(Weights.LINEAR, 3)[0].tolist()
    [1.0, 0.5, 0.0]
    """
    if grades < 2:  # noqa: PLR2004 - one grade has nothing beside it
        raise ValueError(f"no weights for {grades} grades")
    apart = np.abs(np.subtract.outer(np.arange(grades), np.arange(grades))) / (grades - 1)
    if name is Weights.UNWEIGHTED:
        return np.eye(grades)
    return 1 - (apart if name is Weights.LINEAR else apart**2)


def kappas(tables: Floats, weights: Floats) -> Floats:
    """Return the weighted kappa of each table; not-a-number where undefined.

    kappa = (Po - Pe) / (1 - Pe), undefined where Pe = 1: both readers used one grade only.

    Parameters
    ----------
    tables : (..., k, k) counts or shares
    weights : (k, k), 1 on the diagonal

    Returns
    -------
    (...) array

    References
    ----------
    Cohen J. Psychological Bulletin 1968;70:213-220.
    """
    total = tables.sum(axis=(-2, -1))
    rows, columns = tables.sum(axis=-1), tables.sum(axis=-2)
    with np.errstate(invalid="ignore", divide="ignore"):
        observed = (tables * weights).sum(axis=(-2, -1)) / total
        expected = np.einsum("...i,ij,...j->...", rows, weights, columns) / total**2
        found = (observed - expected) / (1 - expected)
    return np.asarray(np.where(1 - expected > _NOTHING, found, np.nan))


def kappa(table: npt.ArrayLike, weights: Weights | npt.ArrayLike = Weights.UNWEIGHTED) -> float:
    """Return the (weighted) kappa of two readers; not-a-number where undefined.

    Parameters
    ----------
    table : (k, k) counts or shares
    weights : by name, or a (k, k) array with 1 on the diagonal

    Returns
    -------
    float : at most 1

    Raises
    ------
    ValueError : the table is not square, or the weights have another size

    Examples
    --------
    Printed output of a commercial statistics system, as quoted in statsmodels' tests:

    >>> round(kappa([[0, 4, 1], [0, 8, 0], [0, 1, 5]]), 4)
    0.4842
    >>> round(kappa([[0, 4, 1], [0, 8, 0], [0, 1, 5]], Weights.LINEAR), 4)
    0.4701
    """
    counts, used = _checked(table, weights)
    return float(kappas(counts, used))


def kappa_standard_error(
    table: npt.ArrayLike, weights: Weights | npt.ArrayLike = Weights.UNWEIGHTED
) -> float:
    """Return the large-sample standard error of kappa for an interval, screws as independent.

    var = (sum p_ij [w_ij - (w_i. + w_.j)(1-kappa)]^2 - [kappa - Pe(1-kappa)]^2) / (n (1-Pe)^2).
    Screws of a patient are not independent: it stands beside the interval over patients as a
    check, and is never shown alone.

    Parameters
    ----------
    table : (k, k) counts
    weights : by name, or a (k, k) array

    Returns
    -------
    float : not-a-number where kappa is undefined

    References
    ----------
    Fleiss JL, Cohen J, Everitt BS. Psychological Bulletin 1969;72:323-327.

    Examples
    --------
    >>> round(kappa_standard_error([[0, 4, 1], [0, 8, 0], [0, 1, 5]], Weights.LINEAR), 4)
    0.1457
    """
    counts, used = _checked(table, weights)
    value = float(kappas(counts, used))
    total = counts.sum()
    shares = counts / total if total else counts
    rows, columns = shares.sum(axis=1), shares.sum(axis=0)
    expected = float(rows @ used @ columns)
    of_rows, of_columns = used @ columns, rows @ used
    spread = used - np.add.outer(of_rows, of_columns) * (1 - value)
    variance = (shares * spread**2).sum() - (value - expected * (1 - value)) ** 2
    return float(np.sqrt(max(variance, 0.0) / total) / (1 - expected)) if value == value else np.nan  # noqa: PLR0124 - not-a-number


def raw_agreements(tables: Floats) -> Floats:
    """Return the share of each table that lies on its diagonal; not-a-number of an empty one."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.einsum("...ii->...", tables) / tables.sum(axis=(-2, -1)))


def ac1s(tables: Floats) -> Floats:
    """Return Gwet's AC1 of each table of two readers; not-a-number of an empty one.

    (Po - Pe) / (1 - Pe) with Pe = sum pi_k (1 - pi_k) / (q - 1), pi_k the mean of the two readers'
    shares of grade k, q all grades of the scale. Stable where one grade dominates.

    Parameters
    ----------
    tables : (..., q, q) counts or shares

    Returns
    -------
    (...) array

    References
    ----------
    Gwet KL. British Journal of Mathematical and Statistical Psychology 2008;61:29-48 (from
    memory). `many_readers.gwet`, which gives a worked example of Gwet's Handbook of Inter-Rater
    Reliability, comes to the same of two readers.
    """
    total = tables.sum(axis=(-2, -1))
    with np.errstate(invalid="ignore", divide="ignore"):
        marginal = (tables.sum(axis=-1) + tables.sum(axis=-2)) / (2 * total[..., None])
        expected = (marginal * (1 - marginal)).sum(axis=-1) / (tables.shape[-1] - 1)
        return np.asarray((raw_agreements(tables) - expected) / (1 - expected))


def interchangeable_kappas(tables: Floats) -> Floats:
    """Return Fleiss' kappa of each table of two readings a screw; not-a-number where undefined.

    The two readings of a screw are taken as those of any two readers: Pe is the sum of the squared
    mean shares. What pairs by many readers ask for, where who read first says nothing.

    Parameters
    ----------
    tables : (..., k, k) counts or shares

    Returns
    -------
    (...) array

    References
    ----------
    Fleiss JL. Psychological Bulletin 1971;76:378-382, for two ratings a subject.
    """
    total = tables.sum(axis=(-2, -1))
    with np.errstate(invalid="ignore", divide="ignore"):
        shares = (tables.sum(axis=-1) + tables.sum(axis=-2)) / (2 * total[..., None])
        expected = (shares**2).sum(axis=-1)
        found = (raw_agreements(tables) - expected) / (1 - expected)
    return np.asarray(np.where(1 - expected > _NOTHING, found, np.nan))


def class_agreements(tables: Floats, grade: int) -> Floats:
    """Return, of each table, the agreement on one grade: 2 n_kk / (n_k. + n_.k).

    The share of one reader's uses of the grade that the other confirms, the two taken together;
    not-a-number where neither used it.

    Parameters
    ----------
    tables : (..., k, k) counts
    grade : place of the grade, from 0

    References
    ----------
    Fleiss JL. Biometrics 1975;31:651-659, specific agreement (from memory).
    """
    used = tables[..., grade, :].sum(axis=-1) + tables[..., :, grade].sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(2 * tables[..., grade, grade] / used)


def _checked(table: npt.ArrayLike, weights: Weights | npt.ArrayLike) -> tuple[Floats, Floats]:
    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1]:  # noqa: PLR2004 - rows and columns
        raise ValueError(f"a table of {counts.shape} is not square")
    named = weights_of(weights, len(counts)) if isinstance(weights, Weights) else weights
    used = np.asarray(named, dtype=np.float64)
    if used.shape != counts.shape:
        raise ValueError(f"weights of {used.shape} for a table of {counts.shape}")
    return counts, used
