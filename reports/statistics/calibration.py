"""How well predicted probabilities fit events that share a patient: calibration, discrimination."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
import numpy.typing as npt
from scipy import special

from reports.statistics.clustered import UnitClustering, clustered_interval
from reports.statistics.estimate import Estimate
from reports.statistics.intervals import student_quantile
from reports.statistics.logistic import fit_logistic, patients_covariance, standard_error

Events = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Patients = npt.NDArray[np.int64]

_GROUPS = 5
_NEAREST = 1e-9  # that a probability comes to 0 or 1
_NO_SPREAD = 1e-9  # less is what rounding leaves


@dataclass(frozen=True)
class Fifth:
    """The observations of one fifth by predicted probability, lowest first.

    Attributes
    ----------
    size, observed : observations and events
    expected : sum of the predicted probabilities
    rate : the observed rate with the default interval
    """

    size: int
    observed: int
    expected: float
    rate: Estimate


@dataclass(frozen=True)
class Calibration:
    """How the predicted probabilities agree with what happened.

    Attributes
    ----------
    in_the_large : log odds by which events are more frequent than predicted; 0 is right
    slope : by what the predicted log odds should be multiplied; 1 is right, below 1 they spread
        too far
    fifths : by predicted probability
    brier : mean squared difference of event and probability
    brier_reference : the same with the overall rate for everybody
    """

    in_the_large: Estimate
    slope: Estimate
    fifths: tuple[Fifth, ...]
    brier: float
    brier_reference: float


def calibration(
    events: Events,
    predicted: Floats,
    patients: Patients,
    unit: UnitClustering,
    confidence: float = 0.95,
) -> Calibration:
    """Return how predictions agree with events.

    In the large: the intercept of a logistic regression with the predicted log odds as offset;
    slope: their coefficient in another. Both with patients as clusters and t on K - 1 and K - 2.

    Parameters
    ----------
    events, predicted, patients : shape (n,), at least one; probabilities, 0 to 1
    unit : the clustering of the same event in the whole unit
    confidence : float, above 0 and below 1

    Returns
    -------
    Calibration : estimates are None where undefined

    Raises
    ------
    ValueError : the lengths differ, nothing observed, or `confidence` not between 0 and 1

    References
    ----------
    Cox DR. Biometrika 1958;45:562-565 (from memory).
    """
    if not len(events) == len(predicted) == len(patients):
        raise ValueError(f"{len(events)} events, {len(predicted)} predictions")
    odds = special.logit(np.clip(predicted, _NEAREST, 1 - _NEAREST))
    ones = np.ones((len(events), 1))
    rate = float(events.mean())
    return Calibration(
        in_the_large=_last_term(events, ones, patients, confidence, odds),
        slope=_last_term(events, np.column_stack([ones, odds]), patients, confidence),
        fifths=_fifths(events, predicted, patients, unit, confidence),
        brier=float(((events - predicted) ** 2).mean()),
        brier_reference=rate * (1 - rate),
    )


def discrimination(
    events: Events, predicted: Floats, patients: Patients, confidence: float = 0.95
) -> Estimate:
    """Return the c statistic: how often an event had the higher prediction of the two.

    Over all pairs of an event and another observation, ties a half. The interval takes the
    linearised variance over patients, K/(K-1) sum e_i^2 with e_i the sum of a patient's parts
    (V - c)/M and (V - c)/N, on the log-odds scale, with t on the lesser of the patients with and
    without an event, less one.

    Parameters
    ----------
    events, predicted, patients : shape (n,)
    confidence : float, above 0 and below 1

    Returns
    -------
    Estimate : None where there is no event or nothing but events; without limits at c of 0 or 1,
        with fewer than two patients of a kind, and where the patients show no spread

    Raises
    ------
    ValueError : `confidence` not between 0 and 1

    References
    ----------
    Obuchowski NA. Biometrics 1997;53:567-578, structural components summed within clusters (from
    memory).

    Examples
    --------
    >>> events = np.array([1, 1, 0, 0, 0], dtype=bool)
    >>> found = discrimination(events, np.array([0.8, 0.3, 0.5, 0.3, 0.1]), np.arange(5))
    >>> round(found.value, 4)  # by hand: pairs 1 1 1, 0 1/2 1
    0.75
    """
    if not 0 < events.sum() < len(events):
        return Estimate()
    cases, controls = predicted[events], predicted[~events]
    parts = np.empty(len(events))
    parts[events] = _share_below(cases, controls)
    parts[~events] = 1 - _share_below(controls, cases)
    c = float(parts[events].mean())
    weights = np.where(events, len(cases), len(controls))
    _, patient = np.unique(patients, return_inverse=True)
    sums = np.bincount(patient, weights=(parts - c) / weights)
    kinds = [len(np.unique(patient[events])), len(np.unique(patient[~events]))]
    if not 0 < c < 1 or min(kinds) <= 1:
        return Estimate(c)
    spread = sqrt(len(sums) / (len(sums) - 1) * float((sums**2).sum()))
    if spread < _NO_SPREAD:
        return Estimate(c)
    half = student_quantile(confidence, min(kinds) - 1) * spread / (c * (1 - c))
    middle = float(special.logit(c))
    return Estimate(c, float(special.expit(middle - half)), float(special.expit(middle + half)))


def _share_below(values: Floats, others: Floats) -> Floats:
    """Return the share of others below each value, ties a half."""
    ordered = np.sort(others)
    below = np.searchsorted(ordered, values, "left") + np.searchsorted(ordered, values, "right")
    shares: Floats = below / (2 * len(others))
    return shares


def _last_term(
    events: Events,
    design: Floats,
    patients: Patients,
    confidence: float,
    offset: Floats | None = None,
) -> Estimate:
    """Return the last coefficient of a regression, patients as clusters."""
    fit = fit_logistic(events, design, offset=offset)
    df = len(np.unique(patients)) - design.shape[1]
    if fit is None or df < 1:
        return Estimate()
    covariance = patients_covariance(fit, events, design, patients)
    spread = standard_error(fit, covariance, design.shape[1] - 1)
    value = float(fit.coefficients[-1])
    if spread is None:
        return Estimate(value)
    half = student_quantile(confidence, df) * spread
    return Estimate(value, value - half, value + half)


def _fifths(
    events: Events,
    predicted: Floats,
    patients: Patients,
    unit: UnitClustering,
    confidence: float,
) -> tuple[Fifth, ...]:
    """Return the fifths by predicted probability; equal predictions stay together."""
    _, value, screws = np.unique(predicted, return_inverse=True, return_counts=True)
    # The middle of the ranks that equal predictions share, as a share of all.
    share = (np.cumsum(screws) - screws / 2)[value] / len(predicted)
    group = np.minimum((share * _GROUPS).astype(np.int64), _GROUPS - 1)
    made = []
    for number in np.unique(group):
        there = group == number
        _, patient = np.unique(patients[there], return_inverse=True)
        sizes = np.bincount(patient)
        counted = np.bincount(patient, weights=events[there]).astype(np.int64)
        found = clustered_interval(counted, sizes, unit, confidence)
        made.append(
            Fifth(
                size=int(there.sum()),
                observed=int(counted.sum()),
                expected=float(predicted[there].sum()),
                rate=Estimate(found.rate, found.interval.low, found.interval.high),
            )
        )
    return tuple(made)
