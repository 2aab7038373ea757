from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.inter_rater import fleiss_kappa as peer_fleiss

from reports.statistics.agreement import (
    Weights,
    ac1s,
    class_agreements,
    interchangeable_kappas,
    kappa,
    kappa_standard_error,
    weights_of,
)
from reports.statistics.differences_of_readers import (
    classical_limits_errors,
    limits_of_agreement,
    slope,
)
from reports.statistics.intraclass import (
    agreement_limits,
    agreements,
    consistency_limits,
    intraclass,
    row_sums,
)
from reports.statistics.jackknife import cluster_sums, jackknife
from reports.statistics.many_readers import fleiss, gwet, krippendorff_alpha
from tests.published import worked_agreement as worked


def named(weights):
    return Weights(weights) if isinstance(weights, str) else weights


def counted(rows, grades):
    return [[row.count(grade) for grade in grades] for row in rows]


@pytest.mark.parametrize(
    ("table", "weights", "value", "error", "digits"),
    [entry[1:] for entry in worked.KAPPA],
    ids=[entry[0] for entry in worked.KAPPA],
)
def test_kappa_is_the_worked_one_to_its_printed_digits(table, weights, value, error, digits):
    assert round(kappa(table, named(weights)), digits) == value
    if error is not None:
        assert round(kappa_standard_error(table, named(weights)), digits) == error


def test_fleiss_kappa_is_the_worked_one_to_its_printed_digits():
    assert fleiss(counted(worked.FLEISS_1971, "12345")).estimate.value == pytest.approx(
        worked.FLEISS_1971_KAPPA, abs=1e-7
    )
    assert round(fleiss(worked.TEN_BY_FIVE).estimate.value, 3) == worked.TEN_BY_FIVE_KAPPA


def test_agreement_of_many_readers_with_ratings_missing_is_the_worked_one():
    ratings = counted(worked.GWET, "12345")
    first, second = gwet(ratings), gwet(ratings, Weights.QUADRATIC)
    assert round(first.estimate.value, 5) == worked.GWET_AC1
    assert round(first.standard_error, 5) == worked.GWET_AC1_ERROR
    limits = first.estimate
    assert (round(limits.low, 5), limits.high) == worked.GWET_AC1_LIMITS
    assert round(second.estimate.value, 3) == worked.GWET_AC2_QUADRATIC
    assert round(second.standard_error, 5) == worked.GWET_AC2_ERROR
    of_fleiss = fleiss(ratings)
    assert round(of_fleiss.estimate.value, 5) == worked.GWET_FLEISS
    assert round(of_fleiss.standard_error, 5) == worked.GWET_FLEISS_ERROR
    assert round(krippendorff_alpha(ratings), 5) == worked.GWET_ALPHA


def test_many_readers_agreement_is_undefined_where_nothing_was_read_twice():
    assert gwet([[1, 0], [0, 1]]).estimate.value is None
    assert fleiss([[1, 0], [0, 1]]).standard_error is None
    assert krippendorff_alpha([[1, 0], [0, 1]]) is None
    assert krippendorff_alpha([[2, 0], [3, 0]]) is None
    assert gwet([[1, 1]]).standard_error is None


def test_intraclass_correlations_and_limits_are_the_worked_ones():
    found = intraclass(worked.SHROUT_FLEISS)
    forms = (found.one_way, found.agreement, found.consistency, found.mean_one_way,
             found.mean_agreement, found.mean_consistency)  # fmt: skip
    assert tuple(round(form, 2) for form in forms) == worked.SHROUT_FLEISS_ICC
    assert agreement_limits(worked.SHROUT_FLEISS).rounded(6) == worked.SHROUT_FLEISS_LIMITS_2_1
    assert consistency_limits(worked.SHROUT_FLEISS).rounded(6) == worked.SHROUT_FLEISS_LIMITS_3_1


def test_bias_and_limits_of_agreement_are_those_of_the_paper():
    apart = np.subtract(worked.PEAK_FLOW_LARGE, worked.PEAK_FLOW_MINI)
    found = limits_of_agreement(apart, range(17), multiple=2)
    assert round(found.bias.value, 1) == worked.PEAK_FLOW["bias"]
    assert round(found.sd, 1) == worked.PEAK_FLOW["sd"]
    limits = (found.lower.value, found.upper.value)
    assert limits == pytest.approx(worked.PEAK_FLOW["limits"], abs=worked.PEAK_FLOW["rounding"])
    assert round(classical_limits_errors(apart)[0], 3) == worked.PEAK_FLOW["se_bias"]


tables = st.integers(2, 5).flatmap(
    lambda k: st.lists(
        st.lists(st.integers(0, 12), min_size=k, max_size=k), min_size=k, max_size=k
    ).filter(lambda rows: sum(map(sum, rows)) > 1)
)


# statsmodels 0.15: cohens_kappa(table, wt=...), fleiss_kappa(counts).
@settings(deadline=None, max_examples=25)
@given(tables, st.sampled_from(Weights))
def test_statsmodels_gives_the_same_kappa_and_standard_error(rows, weights):
    value, error = kappa(rows, weights), kappa_standard_error(rows, weights)
    shares = np.asarray(rows) / np.sum(rows)
    if np.isnan(value):
        assert np.isclose(shares.sum(axis=0) @ shares.sum(axis=1), 1)
        assert np.isnan(error)
        return
    # What it calls linear and quadratic are weights of disagreement, not scaled.
    weighing = {"unweighted": None, "linear": "linear", "quadratic": "quadratic"}[weights]
    with np.errstate(all="ignore"):  # of its standard error under no agreement at all
        peer = cohens_kappa(np.asarray(rows, dtype=float), wt=weighing)
    assert value == pytest.approx(peer.kappa, abs=1e-9)
    # Rounding may take its variance of 0 below 0.
    assert error == pytest.approx(np.nan_to_num(peer.std_kappa), abs=1e-6)


@settings(deadline=None, max_examples=15)
@given(st.integers(2, 4), st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=2))
def test_two_readers_as_a_table_and_as_counts_have_one_ac1_and_statsmodels_fleiss(extra, pairs):
    q = 3 + extra
    table = np.zeros((q, q))
    counts = np.zeros((len(pairs), q))
    for number, (first, second) in enumerate(pairs):
        table[first, second] += 1
        counts[number, first] += 1
        counts[number, second] += 1
    assert float(ac1s(table)) == pytest.approx(gwet(counts).estimate.value)
    if len({grade for pair in pairs for grade in pair}) > 1:
        assert fleiss(counts).estimate.value == pytest.approx(peer_fleiss(counts))
        assert float(interchangeable_kappas(table)) == pytest.approx(fleiss(counts).estimate.value)


def test_kappa_is_not_defined_where_both_used_one_grade_only():
    one_grade = [[7, 0], [0, 0]]
    for weights in Weights:
        assert np.isnan(kappa(one_grade, weights))
    assert fleiss([[2, 0], [2, 0]]).estimate.value is None
    assert np.isnan(interchangeable_kappas(np.asarray(one_grade, dtype=float)))
    assert float(ac1s(np.asarray(one_grade, dtype=float))) == 1
    assert np.isnan(class_agreements(np.asarray(one_grade, dtype=float), 1))
    assert kappa([[5, 2], [0, 0]]) == 0


def test_a_grade_that_nobody_used_changes_the_weights_and_not_the_unweighted_kappa():
    table = np.array([[9, 2], [1, 5]], dtype=float)
    wider = np.zeros((3, 3))
    wider[:2, :2] = table
    assert kappa(wider) == pytest.approx(kappa(table))
    assert weights_of(Weights.LINEAR, 3)[0, 1] == 0.5
    assert kappa(wider, Weights.QUADRATIC) == pytest.approx(kappa(table, Weights.QUADRATIC))


def test_the_jackknife_of_single_screws_is_near_the_large_sample_error():
    rng = np.random.default_rng(20261128)
    pairs = rng.integers(0, 3, 600)
    other = np.where(rng.random(600) < 0.7, pairs, rng.integers(0, 3, 600))
    cells = np.zeros((600, 9))
    cells[np.arange(600), pairs * 3 + other] = 1
    table = cells.sum(axis=0).reshape(3, 3)
    found = jackknife(cluster_sums(cells, range(600)), _kappa_of)
    error = kappa_standard_error(table, Weights.LINEAR)
    assert (found.high - found.low) / 2 / 1.96 == pytest.approx(error, rel=0.03)


def _kappa_of(each):
    flat = each.reshape(-1, 3, 3)
    return np.array([kappa(one, Weights.LINEAR) for one in flat]).reshape(each.shape[:-1])


def test_whole_patients_widen_the_interval_of_screws_that_repeat_one_another():
    # Each patient's four screws are alike: the interval has to be that of one screw a patient.
    rng = np.random.default_rng(7)
    mm = rng.normal(size=(30, 2)) + rng.normal(size=(30, 1)) * 2
    alone = jackknife(cluster_sums(row_sums(mm), range(30)), agreements)
    repeated = np.repeat(mm, 4, axis=0)
    patients = np.repeat(range(30), 4)
    together = jackknife(cluster_sums(row_sums(repeated), patients), agreements)
    as_if_alone = jackknife(cluster_sums(row_sums(repeated), range(120)), agreements)
    assert together.high - together.low == pytest.approx(alone.high - alone.low, rel=0.06)
    assert as_if_alone.high - as_if_alone.low < 0.6 * (together.high - together.low)


@pytest.mark.parametrize("screws", [2, 3, 7, 11, 50])
@pytest.mark.parametrize("extent", [0.0, 0.1, 0.3, 2.1])
def test_screws_that_are_all_alike_have_no_correlation_whatever_rounding_leaves(screws, extent):
    alike = intraclass([[extent, extent]] * screws)
    assert np.isnan([alike.agreement, alike.consistency]).all()
    apart = intraclass([[extent, extent + 0.3]] * screws)  # one reader always measures more
    assert (apart.agreement, np.isnan(apart.consistency)) == (0.0, True)


def test_no_interval_is_made_up():
    perfect = cluster_sums([[1, 0, 0, 1]] * 5, range(5))
    found = jackknife(perfect, lambda each: ac1s(each.reshape(*each.shape[:-1], 2, 2)))
    assert (found.value, found.low, found.high) == (1, None, None)
    one_patient = jackknife(cluster_sums([[1.0, 2.0], [1, 4]], [0, 0]), lambda s: s[..., 1])
    assert (one_patient.low, one_patient.high) == (None, None)
    assert limits_of_agreement([], []).bias.value is None
    assert limits_of_agreement([1.5], ["a"]).sd is None
    assert slope([2, 2, 2], [1, 2, 3], [1, 2, 3]).value is None
    # Without the one patient that has another grade kappa is not defined: value, no interval.
    cells = cluster_sums([[1, 0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 1]], [0, 1, 2])
    found = jackknife(cells, _two_grades)
    assert (found.value, found.low) == (1, None)


def _two_grades(each):
    return np.array([kappa(one.reshape(2, 2)) for one in each.reshape(-1, 4)]).reshape(
        each.shape[:-1]
    )


def test_the_slope_is_numpy_s():
    rng = np.random.default_rng(3)
    years, mm = 2026 + rng.random(50) * 3, rng.normal(size=50)
    found = slope(years, mm, np.repeat(range(10), 5))
    assert found.value == pytest.approx(np.polyfit(years, mm, 1)[0], abs=1e-9)
    assert found.low < found.value < found.high
