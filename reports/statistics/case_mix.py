"""What share of events would be expected of each observation from its factors alone.

A logistic model with patients as clusters. It is refused, in words, where the data cannot carry
it: an expectation that chance made is worse than none.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from reports.statistics.calibration import Calibration, calibration, discrimination
from reports.statistics.clustered import UnitClustering, clustered_interval
from reports.statistics.estimate import Estimate
from reports.statistics.intervals import student_quantile
from reports.statistics.logistic import (
    LogisticFit,
    fit_logistic,
    patients_covariance,
    standard_error,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

Events = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Patients = npt.NDArray[np.int64]
Words = npt.NDArray[np.str_]

# All are ours. Ten events a parameter is a rule of thumb of the trade, five to nine often do
# (Vittinghoff E, McCulloch CE. Am J Epidemiol 2007;165:710-718, from memory); here it is counted
# in effective events and what remains too far is shrunk.
LEAST_EVENTS = 20
EVENTS_A_PARAMETER = 5
LEAST_OF_A_CATEGORY = 20
PRIOR = 1.0
FOLDS = 5
CHANCE = 0.5
"""The c statistic of predictions that tell nothing."""

FEW = "few in each, together"
"""The category of those whose own category has too few."""


@dataclass(frozen=True)
class Factor:
    """Something that an observation brings with it.

    Attributes
    ----------
    name : in words
    values : shape (n,), a category each; what is not stated is a category too
    """

    name: str
    values: Words


@dataclass(frozen=True)
class Term:
    """One category of a factor against that factor's most frequent one.

    Attributes
    ----------
    factor, category, reference : in words
    size, events : observations of the category
    odds_ratio : before shrinkage, marginal, patients as clusters
    """

    factor: str
    category: str
    reference: str
    size: int
    events: int
    odds_ratio: Estimate


@dataclass(frozen=True)
class CaseMix:
    """The model, what it expects, and how far it can be trusted.

    Attributes
    ----------
    expected : shape (n,), the probability of an event of each observation; they add up to the
        events. The overall rate for all where the model is not used
    is_used : whether it tells events from others better than chance on patients that it has not
        seen: the interval of its c statistic lies above 0.5
    expected_unseen : shape (n,), the same by models that have not seen the observation's patient
    terms : of the factors in the model
    left_out : factors that are not in it, and why, in words
    shares : by what each factor's log odds ratios were multiplied, 0 to below 1
    events, patients : that the model was made from
    effective_events : the rarer of events and others, divided by the design effect
    calibration, discrimination : of `expected_unseen`
    """

    expected: Floats
    is_used: bool
    expected_unseen: Floats
    terms: tuple[Term, ...]
    left_out: tuple[str, ...]
    shares: Mapping[str, float]
    events: int
    patients: int
    effective_events: float
    calibration: Calibration
    discrimination: Estimate


@dataclass(frozen=True)
class Refusal:
    """Why there is no model.

    Attributes
    ----------
    reason : a sentence
    """

    reason: str


def case_mix(
    events: Events,
    patients: Patients,
    factors: Sequence[Factor],
    unit: UnitClustering,
    confidence: float = 0.95,
) -> CaseMix | Refusal:
    """Return what is expected of each observation, or why nothing can be.

    At least `LEAST_EVENTS` effective events are wanted. Factors enter in the order given, each
    where there are `EVENTS_A_PARAMETER` effective events for every parameter so far; which ones
    enter depends on no effect that was seen. Categories of fewer than `LEAST_OF_A_CATEGORY`
    observations are put together. Odds ratios have a log-F(1, 1) prior, which keeps them finite
    where a category has no event. Each factor's are then shrunk on the log scale by (W - q)/W,
    not below 0, with W their Wald statistic with patients as clusters and q their number, and the
    intercept is fitted anew. Where nothing is left of any factor they tell no more than chance
    would, and there is no model. Where it does not tell events from others on patients that it has
    not seen, it is not used: everybody is then expected to have the overall rate, for differences
    that chance made would only be called adjustment.

    Parameters
    ----------
    events, patients : shape (n,)
    factors : of n values each, in the order in which they enter
    unit : the clustering of the same event in the whole unit, of which these are all or a part
    confidence : float, above 0 and below 1

    Returns
    -------
    CaseMix or Refusal

    Raises
    ------
    ValueError : the lengths differ

    References
    ----------
    Shrinkage: van Houwelingen JC, Le Cessie S. Stat Med 1990;9:1303-1325, there by the likelihood
    ratio of the whole model; prior: Greenland S, Mansournia MA. Stat Med 2015;34:3133-3143 (both
    from memory). Factor by factor, and by a statistic that knows the patients, is ours.
    """
    if len({len(events), len(patients), *(len(factor.values) for factor in factors)}) > 1:
        raise ValueError("the arrays differ in length")
    rarer = int(min(events.sum(), len(events) - events.sum()))
    if not rarer:
        return Refusal(
            "There is no case-mix model: nothing was observed."
            if not len(events)
            else "There is no case-mix model: all outcomes are alike."
        )
    effect = _design_effect(events, patients, unit)
    effective = rarer / effect
    coded, left_out = _entering(factors, effective)
    if not coded or effective < LEAST_EVENTS:
        kind = "events" if events.sum() == rarer else "observations without one"
        return Refusal(
            f"There is no case-mix model: {rarer} {kind}, worth {effective:.1f} independent ones, "
            f"cannot carry a factor (at least {LEAST_EVENTS} are needed, and {EVENTS_A_PARAMETER} "
            f"for each parameter{'; ' if left_out else ''}{'; '.join(left_out)})."
        )
    design = np.column_stack([np.ones(len(events)), *(one.columns for one in coded)])
    whole = _shrunk(events, design, patients, coded)
    if whole is None or not any(whole.shares):
        return Refusal(
            "There is no case-mix model: the factors ("
            + ", ".join(one.factor.name for one in coded)
            + ") tell these events apart no better than chance would."
        )
    unseen = _unseen(events, design, patients, coded)
    told = discrimination(events, unseen, patients, confidence)
    is_used = told.low is not None and told.low > CHANCE
    modelled = _with_intercept(events, design[:, 1:] @ whole.slopes)
    return CaseMix(
        expected=modelled if is_used else np.full(len(events), float(events.mean())),
        is_used=is_used,
        expected_unseen=unseen,
        terms=_terms(whole, events, design, patients, coded, confidence),
        left_out=tuple(left_out),
        shares={one.factor.name: share for one, share in zip(coded, whole.shares, strict=True)},
        events=int(events.sum()),
        patients=len(np.unique(patients)),
        effective_events=effective,
        calibration=calibration(events, unseen, patients, unit, confidence),
        discrimination=told,
    )


@dataclass(frozen=True)
class _Coded:
    """A factor as columns, one a category but the most frequent."""

    factor: Factor
    reference: str
    categories: tuple[str, ...]
    columns: Floats


def _coded(factor: Factor) -> _Coded | None:
    """Return a factor's columns; None where all are of one category."""
    found, counts = np.unique(factor.values, return_counts=True)
    small = found[counts < LEAST_OF_A_CATEGORY]
    values = factor.values.astype(object)
    if len(small):
        few = np.isin(factor.values, small)
        # What is still too few joins the most frequent category, which it is compared with.
        enough = few.sum() >= LEAST_OF_A_CATEGORY
        values[few] = FEW if enough else found[counts.argmax()]
    found, counts = np.unique(values.astype(str), return_counts=True)
    if len(found) < 2:  # noqa: PLR2004 - one category compares with nothing
        return None
    reference = str(found[counts.argmax()])
    rest = tuple(str(name) for name in found if name != reference)
    columns = np.column_stack([(values == name).astype(np.float64) for name in rest])
    return _Coded(factor, reference, rest, columns)


def _entering(factors: Sequence[Factor], effective: float) -> tuple[list[_Coded], list[str]]:
    """Return the factors that the events carry, in their order, and why others are left out."""
    entering: list[_Coded] = []
    left_out: list[str] = []
    parameters = 0
    for factor in factors:
        coded = _coded(factor)
        if coded is None:
            left_out.append(f"{factor.name}: one category only")
            continue
        more = parameters + len(coded.categories)
        if more * EVENTS_A_PARAMETER > effective:
            left_out.append(
                f"{factor.name}: {more} parameter{'' if more == 1 else 's'} would need "
                f"{more * EVENTS_A_PARAMETER} effective events"
            )
            continue
        parameters = more
        entering.append(coded)
    return entering, left_out


def _design_effect(events: Events, patients: Patients, unit: UnitClustering) -> float:
    _, patient = np.unique(patients, return_inverse=True)
    counted = np.bincount(patient, weights=events).astype(np.int64)
    return clustered_interval(counted, np.bincount(patient), unit).design_effect


@dataclass(frozen=True)
class _Shrunk:
    """A fit, its covariance, what is left of each factor's log odds ratios, and all terms so."""

    fit: LogisticFit
    covariance: Floats
    shares: tuple[float, ...]
    slopes: Floats


def _shrunk(
    events: Events, design: Floats, patients: Patients, coded: Sequence[_Coded]
) -> _Shrunk | None:
    """Return the fit with each factor's coefficients shrunk; None where there is none."""
    fit = fit_logistic(events, design, prior=PRIOR)
    if fit is None:
        return None
    covariance = patients_covariance(fit, events, design, patients)
    if not np.isfinite(covariance).all():
        return None
    slopes = fit.coefficients[1:].copy()
    shares = []
    place = 0
    for one in coded:
        part = slice(place, place + len(one.categories))
        place = part.stop
        spread = covariance[1:, 1:][part, part]
        # A category that nobody in these patients has says nothing.
        wald = float(slopes[part] @ np.linalg.pinv(spread) @ slopes[part])
        share = max(0.0, 1 - len(one.categories) / wald) if wald > 0 else 0.0
        shares.append(share)
        slopes[part] *= share
    return _Shrunk(fit, covariance, tuple(shares), slopes)


def _unseen(events: Events, design: Floats, patients: Patients, coded: Sequence[_Coded]) -> Floats:
    """Return each observation's probability by slopes from other patients alone.

    Folds are whole patients, by the order of their numbers. The intercept is everybody's: by fold,
    those left out would be expected low just because their fold had many events.
    """
    _, patient = np.unique(patients, return_inverse=True)
    fold = patient % FOLDS
    moved = np.zeros(len(events))
    for number in np.unique(fold):
        out = fold == number
        made = _shrunk(events[~out], design[~out], patients[~out], coded)
        if made is not None:
            moved[out] = design[out, 1:] @ made.slopes
    return _with_intercept(events, moved)


def _with_intercept(events: Events, moved: Floats) -> Floats:
    """Return the probabilities by these log odds, moved alike so that they add up to the events."""
    fit = fit_logistic(events, np.ones((len(events), 1)), offset=moved)
    # Slopes are bounded by their prior and the rate lies within 0 and 1: there is a maximum.
    return np.full(len(events), float(events.mean())) if fit is None else fit.probabilities


def _terms(
    whole: _Shrunk,
    events: Events,
    design: Floats,
    patients: Patients,
    coded: Sequence[_Coded],
    confidence: float,
) -> tuple[Term, ...]:
    """Return the odds ratios; without limits where there are no more patients than parameters."""
    df = len(np.unique(patients)) - design.shape[1]
    names = [(one, category) for one in coded for category in one.categories]
    made = []
    for place, (one, category) in enumerate(names, start=1):
        value = float(whole.fit.coefficients[place])
        ratio = Estimate(exp(value))
        spread = standard_error(whole.fit, whole.covariance, place)
        if df >= 1 and spread is not None:
            half = student_quantile(confidence, df) * spread
            ratio = Estimate(exp(value), exp(value - half), exp(value + half))
        there = design[:, place] > 0
        size, counted = int(there.sum()), int(events[there].sum())
        made.append(Term(one.factor.name, category, one.reference, size, counted, ratio))
    return tuple(made)
