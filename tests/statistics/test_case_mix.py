"""The case-mix model: what it expects, when it refuses, and that it sees no patient it predicts."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import special

from reports.statistics.calibration import calibration
from reports.statistics.case_mix import FEW, CaseMix, Factor, Refusal, case_mix
from reports.statistics.clustered import unit_clustering
from tests.statistics.clustered_outcomes import outcomes


def named(flags, name, yes="high", no="low"):
    return Factor(name, np.where(flags, yes, no))


def model(seed, *, order=None, **how):
    events, patients, is_high, is_poor = outcomes(seed, **how)
    if order is not None:
        events, patients, is_high, is_poor = (
            each[order] for each in (events, patients, is_high, is_poor)
        )
    factors = [named(is_high, "level"), named(is_poor, "bone", "poor", "good")]
    unit = unit_clustering(events, patients, np.zeros(len(events), dtype=np.int64))
    return events, patients, case_mix(events, patients, factors, unit)


def test_the_expected_add_up_to_the_events_and_follow_the_factors():
    events, _, found = model(1, patients=150, level=1.0)
    assert isinstance(found, CaseMix)
    assert found.expected.sum() == pytest.approx(events.sum())
    assert found.expected_unseen.sum() == pytest.approx(events.sum())
    assert 0.5 < found.shares["level"] < 1
    assert found.is_used
    assert found.discrimination.low > 0.5
    # A patient's true log odds ratio is 1.0; the marginal one is nearer to 0.
    (level,) = (term for term in found.terms if term.factor == "level")
    assert (level.category, level.reference) == ("high", "low")
    assert level.odds_ratio.low < np.exp(0.9) < level.odds_ratio.high


def test_odds_ratios_are_those_of_estimating_equations_but_for_the_prior():
    events, patients, is_high, is_poor = outcomes(2, patients=300, bone=0.4)
    unit = unit_clustering(events, patients, np.zeros(len(events), dtype=np.int64))
    found = case_mix(events, patients, [named(is_high, "level"), named(is_poor, "bone")], unit)
    design = np.column_stack([np.ones(len(events)), is_high, is_poor]).astype(float)
    peer = sm.GEE(events.astype(float), design, groups=patients, family=sm.families.Binomial())
    fit = peer.fit(cov_type="bias_reduced")
    ours = [np.log(term.odds_ratio.value) for term in found.terms]
    assert ours == pytest.approx(fit.params[1:], abs=0.01)
    assert isinstance(found, CaseMix)


def test_a_factor_that_tells_nothing_is_shrunk_to_nothing_or_almost():
    shares = []
    for seed in range(20, 40):
        found = model(seed, patients=150, level=1.2, bone=0.0)[2]
        shares.append(found.shares["bone"])
    assert np.mean(shares) < 0.25
    assert shares.count(0.0) >= 10  # W is below its mean of 1 in about two of three


def test_without_any_effect_there_is_mostly_no_model_and_it_says_why():
    found = [model(seed, level=0.0)[2] for seed in range(40, 60)]
    refused = [one for one in found if isinstance(one, Refusal)]
    assert len(refused) >= 6  # two factors: (2/3)^2
    # By the interval of its c statistic a model of chance is used in 2 or 3 of 100.
    assert sum(one.is_used for one in found if isinstance(one, CaseMix)) <= 2
    assert "no better than chance" in refused[0].reason


def test_on_other_patients_the_expected_are_calibrated():
    slopes = []
    for seed in range(60, 70):
        events, patients, is_high, is_poor = outcomes(seed, patients=120, level=1.0)
        unit = unit_clustering(events, patients, np.zeros(len(events), dtype=np.int64))
        found = case_mix(events, patients, [named(is_high, "level"), named(is_poor, "bone")], unit)
        if isinstance(found, CaseMix):
            by_group = {
                (high, poor): found.expected[(is_high == high) & (is_poor == poor)].mean()
                for high in (True, False)
                for poor in (True, False)
            }
            events, patients, is_high, is_poor = outcomes(seed + 1000, patients=300, level=1.0)
            pairs = zip(is_high, is_poor, strict=True)
            predicted = np.array([by_group[bool(high), bool(poor)] for high, poor in pairs])
            unit = unit_clustering(events, patients, np.zeros(len(events), dtype=np.int64))
            slopes.append(calibration(events, predicted, patients, unit).slope.value)
    assert 0.85 < np.mean(slopes) < 1.2


def test_nobody_is_predicted_by_their_own_outcome():
    events, patients, is_high, is_poor = outcomes(3, patients=40, level=1.2)
    factors = [named(is_high, "level"), named(is_poor, "bone")]
    unit = unit_clustering(events, patients, np.zeros(len(events), dtype=np.int64))
    before = case_mix(events, patients, factors, unit)
    changed = events.copy()
    changed[patients == 7] = ~changed[patients == 7]
    after = case_mix(changed, patients, factors, unit)
    fold = patients % 5 == 7 % 5
    # The intercept is everybody's; what tells one screw from another is not its own.
    moved = special.logit(after.expected_unseen[fold]) - special.logit(before.expected_unseen[fold])
    assert np.ptp(moved) < 1e-6


def test_the_order_of_the_rows_does_not_matter():
    order = np.random.default_rng(0).permutation(len(outcomes(4)[0]))
    _, _, plain = model(4)
    _, _, shuffled = model(4, order=order)
    assert shuffled.expected == pytest.approx(plain.expected[order], abs=1e-9)
    assert shuffled.expected_unseen == pytest.approx(plain.expected_unseen[order], abs=1e-9)


def test_few_events_carry_no_factor_and_it_says_how_many_are_needed():
    found = model(5, patients=12, base=-4.0)[2]
    assert isinstance(found, Refusal)
    assert "cannot carry a factor" in found.reason
    assert "at least 20 are needed, and 5 for each parameter" in found.reason


def test_outcomes_that_are_all_alike_have_no_model():
    patients = np.repeat(np.arange(30), 4)
    events = np.zeros(120, dtype=bool)
    unit = unit_clustering(events, patients, patients)
    found = case_mix(events, patients, [named(patients > 10, "level")], unit)
    assert found == Refusal("There is no case-mix model: all outcomes are alike.")


def test_small_categories_are_put_together_and_one_category_says_nothing():
    events, patients, is_high, _ = outcomes(6, patients=200, level=1.2)
    unit = unit_clustering(events, patients, np.zeros(len(events), dtype=np.int64))
    few = np.full(len(events), "common", dtype="U8")
    few[:15], few[15:30] = "rare", "scarce"
    factors = [
        named(is_high, "level"),
        Factor("kind", few),
        Factor("same", np.full(len(events), "one")),
    ]
    found = case_mix(events, patients, factors, unit)
    assert [term.category for term in found.terms] == ["high", FEW]
    assert found.left_out == ("same: one category only",)
    assert found.terms[1].size == 30


def test_arrays_of_other_lengths_are_refused():
    unit = unit_clustering(np.zeros(2, dtype=bool), np.arange(2), np.arange(2))
    with pytest.raises(ValueError, match="differ in length"):
        case_mix(np.zeros(2, dtype=bool), np.arange(3), [], unit)
