"""Agreement of any number of readers, of whom some may not have read everything.

No table of the program has more than two readings of a screw. These are here so that a
statistician can lay the two readers' numbers beside the general forms, which are judged by
published ones.

Throughout, ratings are counts of shape (n, q), a row a screw: how many readers gave it each grade.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from reports.statistics.agreement import Weights, weights_of
from reports.statistics.estimate import Estimate
from reports.statistics.intervals import student_quantile

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_NOTHING = 1e-12


@dataclass(frozen=True)
class ManyAgree:
    """An agreement beyond chance.

    Attributes
    ----------
    estimate : with t(n - 1) limits, cut at 1; all None where undefined
    standard_error : over the screws, readers fixed; None where undefined
    """

    estimate: Estimate
    standard_error: float | None


def gwet(
    ratings: npt.ArrayLike, weights: Weights = Weights.UNWEIGHTED, confidence: float = 0.95
) -> ManyAgree:
    """Return Gwet's AC1, with weights AC2.

    Parameters
    ----------
    ratings : (n, q) counts
    weights : of the grades in their order
    confidence : above 0 and below 1

    Returns
    -------
    ManyAgree : undefined where no screw was read twice

    References
    ----------
    Gwet KL. Handbook of Inter-Rater Reliability (formulas from memory; the example's value and
    standard error agree).

    Examples
    --------
    Gwet's Handbook, twelve units and four raters, ratings missing:

    >>> rated = ["11.1", "2232", "3333", "3333", "2222", "1234", "4444", "1121", "2222", ".555",
    ...          "..11", "..3."]
    >>> found = gwet([[row.count(grade) for grade in "12345"] for row in rated])
    >>> round(found.estimate.value, 5), round(found.standard_error, 5)
    (0.77544, 0.14295)
    """
    counts, alike = _weighed(ratings, weights)
    shares, grades = _shares(counts), counts.shape[1]
    scale = float(alike.sum()) / (grades * (grades - 1))
    of_each = scale * (counts @ (1 - shares)) / counts.sum(axis=1)
    return _beyond(counts, alike, scale * float((shares * (1 - shares)).sum()), of_each, confidence)


def fleiss(
    ratings: npt.ArrayLike, weights: Weights = Weights.UNWEIGHTED, confidence: float = 0.95
) -> ManyAgree:
    """Return Fleiss' kappa.

    Parameters
    ----------
    ratings : (n, q) counts
    weights : of the grades in their order
    confidence : above 0 and below 1

    Returns
    -------
    ManyAgree : undefined where one grade alone was used, or no screw was read twice

    References
    ----------
    Fleiss JL. Psychological Bulletin 1971;76:378-382; missing ratings, weights and standard error
    as in Gwet KL, Handbook of Inter-Rater Reliability (from memory; the example's value and
    standard error agree).
    """
    counts, alike = _weighed(ratings, weights)
    shares = _shares(counts)
    of_each = (counts @ ((alike @ shares + shares @ alike) / 2)) / counts.sum(axis=1)
    return _beyond(counts, alike, float(shares @ alike @ shares), of_each, confidence)


def krippendorff_alpha(
    ratings: npt.ArrayLike, weights: Weights = Weights.UNWEIGHTED
) -> float | None:
    """Return Krippendorff's alpha of the screws that were read at least twice.

    Parameters
    ----------
    ratings : (n, q) counts
    weights : of the grades in their order

    Returns
    -------
    float or None : None where one grade alone was used, or no screw was read twice

    References
    ----------
    Krippendorff K. Computing Krippendorff's alpha-reliability. 2011; in the form of Gwet's
    Handbook of Inter-Rater Reliability (from memory; the example's value agrees).
    """
    counts, alike = _weighed(ratings, weights)
    counts = counts[counts.sum(axis=1) > 1]
    if not len(counts):
        return None
    readers = counts.sum(axis=1)
    shares = (counts / readers.mean()).mean(axis=0)
    pairs = _agreeing(counts, alike) / (readers.mean() * (readers - 1))
    small = 1 / readers.sum()
    observed = (1 - small) * float(pairs.mean()) + small
    expected = float(shares @ alike @ shares)
    return (observed - expected) / (1 - expected) if 1 - expected > _NOTHING else None


def _weighed(ratings: npt.ArrayLike, weights: Weights) -> tuple[Floats, Floats]:
    """Return the counts of the screws that somebody read, and the grades' weights."""
    counts = np.asarray(ratings, dtype=np.float64)
    return counts[counts.sum(axis=1) > 0], weights_of(weights, counts.shape[1])


def _shares(counts: Floats) -> Floats:
    """Return each grade's mean share of a screw's ratings."""
    return np.asarray((counts / counts.sum(axis=1, keepdims=True)).mean(axis=0))


def _agreeing(counts: Floats, alike: Floats) -> Floats:
    """Return each screw's ordered pairs of readers who agree, in part where weights say so."""
    return np.asarray((counts * (counts @ alike.T - 1)).sum(axis=1))


def _beyond(
    counts: Floats, alike: Floats, expected: float, of_each: Floats, confidence: float
) -> ManyAgree:
    """Return the agreement beyond what is expected, linearised over the screws.

    `of_each` is the expected agreement as each screw's own ratings would have it.
    """
    readers = counts.sum(axis=1)
    twice = readers > 1
    if not twice.any() or 1 - expected <= _NOTHING:
        return ManyAgree(Estimate(), None)
    pairs = np.where(twice, readers * (readers - 1), 1)
    seen = np.where(twice, _agreeing(counts, alike) / pairs, 0)
    value = (float(seen[twice].mean()) - expected) / (1 - expected)
    number = len(counts)
    if number < 2:  # noqa: PLR2004 - one screw has no spread
        return ManyAgree(Estimate(value), None)
    own = number / twice.sum() * (seen - expected * twice) / (1 - expected)
    own -= 2 * (1 - value) * (of_each - expected) / (1 - expected)
    error = sqrt(float(((own - value) ** 2).sum()) / (number * (number - 1)))
    half = student_quantile(confidence, number - 1) * error
    return ManyAgree(Estimate(value, value - half, min(1.0, value + half)), error)
