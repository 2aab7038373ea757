"""The regression against statsmodels 0.15, on outcomes drawn from a seed."""

import numpy as np
import pytest
import statsmodels.api as sm

from reports.statistics.logistic import fit_logistic, patients_covariance
from tests.statistics.clustered_outcomes import outcomes


def a_design(seed):
    events, patients, is_high, is_poor = outcomes(seed, bone=0.5)
    return events, patients, np.column_stack([np.ones(len(events)), is_high, is_poor]).astype(float)


@pytest.mark.parametrize("seed", [1, 2])
def test_fit_and_covariance_are_those_of_generalised_estimating_equations(seed):
    events, patients, design = a_design(seed)
    fit = fit_logistic(events, design)
    peer = sm.GEE(events.astype(float), design, groups=patients, family=sm.families.Binomial()).fit(
        cov_type="bias_reduced"
    )
    assert fit.coefficients == pytest.approx(peer.params, abs=1e-9)
    assert patients_covariance(fit, events, design, patients) == pytest.approx(
        peer.cov_params(), abs=1e-9
    )
    alone = sm.Logit(events.astype(float), design).fit(disp=0)
    assert fit.log_likelihood == pytest.approx(alone.llf, abs=1e-9)


def test_the_prior_is_a_record_more_for_every_term_but_the_first():
    events, _, design = a_design(3)
    fit = fit_logistic(events, design, prior=2.0)
    peer = sm.GLM(
        np.concatenate([events, [0.5, 0.5]]),
        np.vstack([design, np.eye(3)[1:]]),
        family=sm.families.Binomial(),
        var_weights=np.concatenate([np.ones(len(events)), [2, 2]]),
    ).fit()
    assert fit.coefficients == pytest.approx(peer.params, abs=1e-7)
    assert fit.probabilities.sum() == pytest.approx(events.sum())


def test_an_offset_moves_the_log_odds():
    events, _, design = a_design(4)
    offset = 0.3 * design[:, 1]
    fit = fit_logistic(events, design[:, [0, 2]], offset=offset)
    peer = sm.GLM(events, design[:, [0, 2]], family=sm.families.Binomial(), offset=offset).fit()
    assert fit.coefficients == pytest.approx(peer.params, abs=1e-8)


@pytest.mark.parametrize(
    ("events", "term"),
    [
        ([0, 0, 0, 0], [0, 1, 0, 1]),
        ([1, 1, 1, 1], [0, 1, 0, 1]),
        ([0, 1, 0, 1], [0, 1, 0, 1]),
        ([0, 1, 0, 1], [1, 1, 1, 1]),
    ],
    ids=["no event", "events alone", "separated", "a term twice"],
)
def test_there_is_no_fit_where_there_is_no_maximum(events, term):
    design = np.column_stack([np.ones(4), term]).astype(float)
    assert fit_logistic(np.array(events, dtype=bool), design) is None


def test_with_a_prior_separated_events_have_finite_terms():
    design = np.column_stack([np.ones(40), np.repeat([0.0, 1.0], 20)])
    fit = fit_logistic(np.repeat([False, True], 20), design, prior=1.0)
    assert np.abs(fit.coefficients).max() < 20


def test_many_patients_are_taken_in_parts_and_come_to_the_same(monkeypatch):
    events, patients, design = a_design(5)
    fit = fit_logistic(events, design)
    whole = patients_covariance(fit, events, design, patients)
    monkeypatch.setattr("reports.statistics.logistic._AT_ONCE", 7)
    assert patients_covariance(fit, events, design, patients) == pytest.approx(whole, abs=1e-12)
