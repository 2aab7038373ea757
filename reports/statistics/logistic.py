"""Logistic regression of events that share a patient: fit, and the patients' sandwich.

Rows are observations, such as screws. The fit takes them as independent (the independence working
correlation of generalised estimating equations), which is consistent whatever the correlation
within patients; the covariance is that of whole patients.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
import numpy.typing as npt
from scipy import special

Floats = npt.NDArray[np.float64]

_MOST_STEPS = 50
_HALVINGS = 30
_CLOSE = 1e-9
_VANISHING = 1e-9
_NO_SPREAD = 1e-12  # of the variance that independent observations would have
_AT_ONCE = 1000  # patients: so that the memory needed does not grow with the unit


@dataclass(frozen=True)
class LogisticFit:
    """Coefficients on the log-odds scale, and the probabilities that they give.

    Attributes
    ----------
    coefficients : shape (terms,)
    probabilities : shape (n,)
    log_likelihood : of the events alone, without the prior
    bread : shape (terms, terms), inverse of the (penalised) information
    """

    coefficients: Floats
    probabilities: Floats
    log_likelihood: float
    bread: Floats


def fit_logistic(
    events: npt.NDArray[np.bool_],
    design: Floats,
    *,
    prior: float = 0.0,
    offset: Floats | None = None,
) -> LogisticFit | None:
    """Return the maximum of the likelihood, or of likelihood times a prior.

    With `prior` m above 0 every coefficient but the first column's has a log-F(m, m) prior, which
    adds m/2 b - m log(1 + e^b) to the log-likelihood: the same as a record more for each, of m
    trials with m/2 events. The first column, of ones, is free, so that the probabilities add up to
    the events.

    Parameters
    ----------
    events : shape (n,)
    design : shape (n, terms), the first column ones
    prior : 0 for none
    offset : shape (n,), added to the log odds; None for none

    Returns
    -------
    LogisticFit or None : None where there is no finite maximum (no event, nothing but events, a
        term that separates them, or terms that say the same)

    Raises
    ------
    ValueError : the lengths differ

    References
    ----------
    The prior: Greenland S, Mansournia MA. Stat Med 2015;34:3133-3143 (from memory).

    Examples
    --------
    >>> events = np.array([1] * 3 + [0] * 7 + [1] * 6 + [0] * 4, dtype=bool)
    >>> group = np.repeat([0.0, 1.0], 10)
    >>> fit = fit_logistic(events, np.column_stack([np.ones(20), group]))
    >>> [round(float(term), 6) for term in fit.coefficients]  # log(3/7), log(6/4) - log(3/7)
    [-0.847298, 1.252763]
    """
    if len(events) != len(design):
        raise ValueError(f"{len(events)} events for {len(design)} rows")
    y = events.astype(np.float64)
    if not 0 < y.sum() < len(y):
        return None
    if not prior and np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    moved = np.zeros(len(y)) if offset is None else offset
    free = np.full(design.shape[1], float(prior))
    free[0] = 0.0
    beta = _maximum(_Task(y, design, moved, free))
    if beta is None:
        return None
    p = special.expit(moved + design @ beta)
    # Where a term separates events from the rest the likelihood flattens out without a maximum.
    if not prior and min(p.min(), 1 - p.max()) < _VANISHING:
        return None
    bread = np.linalg.inv(_information(design, p, free, beta)).astype(np.float64)
    likelihood = float(special.xlogy(y, p).sum() + special.xlog1py(1 - y, -p).sum())
    return LogisticFit(beta, p, likelihood, bread)


def patients_covariance(
    fit: LogisticFit,
    events: npt.NDArray[np.bool_],
    design: Floats,
    patients: npt.NDArray[np.int64],
) -> Floats:
    """Return the covariance of the coefficients with patients as clusters, bias reduced.

    B (sum_i X_i' (I - H_i)^-1 r_i r_i' (I - H_i')^-1 X_i) B, with B the bread, r_i a patient's
    residuals and H_i = W_i X_i B X_i' their leverage: without it few patients give limits that
    are too close. Worked out as X_i' (I - H_i)^-1 = (I - X_i' W_i X_i B)^-1 X_i', which is as
    small as there are terms, however many screws a patient has.

    Parameters
    ----------
    fit : of the same events and design
    events : shape (n,)
    design : shape (n, terms)
    patients : shape (n,), a whole number that stands for the patient

    Returns
    -------
    array, shape (terms, terms); not-a-number where one patient alone carries a coefficient, so
        that the others tell nothing of it

    References
    ----------
    Mancl LA, DeRouen TA. Biometrics 2001;57:126-134 (from memory); equals cov_type="bias_reduced"
    of statsmodels' GEE.

    Examples
    --------
    >>> events = np.array([1, 1, 0, 0, 1, 0, 0, 0], dtype=bool)
    >>> patients = np.repeat([1, 2, 3, 4], 2)
    >>> design = np.ones((8, 1))
    >>> fit = fit_logistic(events, design)
    >>> covariance = patients_covariance(fit, events, design, patients)
    >>> round(float(covariance[0, 0]), 6)  # sum((y - 2p)^2) / (3/4)^2 / (8 p (1 - p))^2
    1.390617
    """
    p = fit.probabilities
    order = np.argsort(patients, kind="stable")
    _, starts = np.unique(patients[order], return_index=True)
    sorted_design = design[order]
    scores = np.add.reduceat(sorted_design * (events - p)[order][:, None], starts, axis=0)
    weights = (p * (1 - p))[order]
    ends = np.append(starts[1:], len(order))
    meat = np.zeros_like(fit.bread)
    for first in range(0, len(starts), _AT_ONCE):
        last = min(first + _AT_ONCE, len(starts))
        rows = slice(starts[first], ends[last - 1])
        part = sorted_design[rows]
        squares = weights[rows, None, None] * part[:, :, None] * part[:, None, :]
        own = np.add.reduceat(squares, starts[first:last] - starts[first], axis=0)
        left = np.eye(design.shape[1]) - own @ fit.bread
        if np.linalg.det(left).min() < _VANISHING:
            return np.full_like(fit.bread, np.nan)
        kept = np.linalg.solve(left, scores[first:last, :, None])[:, :, 0]
        meat += kept.T @ kept
    return fit.bread @ meat @ fit.bread


def standard_error(fit: LogisticFit, covariance: Floats, place: int) -> float | None:
    """Return a coefficient's standard error over patients; None where they show no spread.

    That is where a patient alone carries it, and where every patient's residuals cancel out: what
    rounding leaves would say that nothing is uncertain.

    Examples
    --------
    >>> events = np.array([1, 0, 1, 0, 1, 0], dtype=bool)
    >>> design, patients = np.ones((6, 1)), np.repeat([1, 2, 3], 2)
    >>> fit = fit_logistic(events, design)
    >>> standard_error(fit, patients_covariance(fit, events, design, patients), 0) is None
    True
    """
    variance = float(covariance[place, place])
    if not variance > _NO_SPREAD * float(fit.bread[place, place]):
        return None
    return sqrt(variance)


@dataclass(frozen=True)
class _Task:
    """What is fitted; `free` is the prior of each term, 0 for none."""

    y: Floats
    design: Floats
    moved: Floats
    free: Floats

    def height(self, beta: Floats) -> float:
        """Return the logarithm of likelihood times prior."""
        odds = self.moved + self.design @ beta
        prior = self.free @ (beta / 2 - np.logaddexp(0.0, beta))
        return float(self.y @ odds - np.logaddexp(0.0, odds).sum() + prior)


def _maximum(task: _Task) -> Floats | None:
    """Return where the height is greatest, by Newton's steps, halved where they overshoot."""
    beta = np.zeros(task.design.shape[1])
    beta[0] = special.logit(task.y.mean()) - task.moved.mean()
    reached = task.height(beta)
    for _ in range(_MOST_STEPS):
        p = special.expit(task.moved + task.design @ beta)
        gradient = task.design.T @ (task.y - p) + task.free * (0.5 - special.expit(beta))
        try:
            found = np.linalg.solve(_information(task.design, p, task.free, beta), gradient)
        except np.linalg.LinAlgError:
            return None
        step, reached = _shortened(task, beta, found.astype(np.float64), reached)
        beta = beta + step
        if np.abs(step).max() < _CLOSE:
            return beta
    return None


def _shortened(task: _Task, beta: Floats, step: Floats, reached: float) -> tuple[Floats, float]:
    """Return a step that does not lead down, and the height that it leads to."""
    for _ in range(_HALVINGS):
        higher = task.height(beta + step)
        if higher >= reached - _CLOSE * (1 + abs(reached)):
            return step, higher
        step = step / 2
    return np.zeros_like(step), reached


def _information(design: Floats, p: Floats, free: Floats, beta: Floats) -> Floats:
    held = special.expit(beta)
    information: Floats = (design.T * (p * (1 - p))) @ design + np.diag(free * held * (1 - held))
    return information
