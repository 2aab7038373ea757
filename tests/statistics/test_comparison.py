"""Difference, ratio, many comparisons and trend against papers, statsmodels 0.15 and plain Python.

The simulation draws patients with a beta-distributed rate each, from a seed.
"""

from math import log, sqrt

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import confint_proportions_2indep

from reports.statistics.clustered import UnitClustering, linearised_variance
from reports.statistics.comparison import (
    Proportion,
    benjamini_hochberg,
    compare,
    difference,
    difference_p_value,
    holm,
    ratio,
)
from reports.statistics.trend import trend
from tests.build.difference_coverage import coverage
from tests.published.worked_comparisons import (
    BH_ADJUSTED,
    BH_REJECTED,
    HOLM_ADJUSTED,
    HOLM_REJECTED,
    KATZ_PHYSICIANS,
    NEWCOMBE_10,
    P_VALUES,
)
from tests.statistics.clustered_outcomes import outcomes

INDEPENDENT = UnitClustering(patients=10**9, patients_with_event=10**6, rho=0.0)
"""A unit so large that the assumed correlation has no weight."""

counts = st.integers(1, 40).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
groups = st.lists(
    st.tuples(st.integers(0, 4), st.integers(0, 4), st.integers(0, 4), st.integers(0, 4)),
    min_size=1,
    max_size=12,
).filter(lambda rows: all(sum(row[i] for row in rows) for i in (1, 3)))


def grouped(rows):
    """Return both groups' events and sizes; an event count is cut to its size."""
    sizes = [[row[i] for row in rows] for i in (1, 3)]
    events = [[min(row[i], row[i + 1]) for row in rows] for i in (0, 2)]
    return (events[0], sizes[0]), (events[1], sizes[1])


@pytest.mark.parametrize(("x1", "n1", "x2", "n2", "limits"), NEWCOMBE_10)
def test_the_difference_is_newcombes_to_the_printed_digits(x1, n1, x2, n2, limits):
    found = difference(Proportion(x1, n1), Proportion(x2, n2))
    assert (round(found.low, 4), round(found.high, 4)) == limits


@given(counts, counts, st.sampled_from([0.8, 0.95, 0.998]))
def test_the_difference_is_that_of_statsmodels(first, second, confidence):
    found = difference(Proportion(*first), Proportion(*second), confidence)
    peer = confint_proportions_2indep(
        *first, *second, method="newcomb", compare="diff", alpha=1 - confidence
    )
    assert (found.low, found.high) == pytest.approx(peer, abs=1e-9)
    assert found.low <= found.value <= found.high


def test_the_ratio_is_that_of_the_physicians():
    x1, n1, x2, n2 = KATZ_PHYSICIANS["counts"]
    found = ratio(Proportion(x1, n1), Proportion(x2, n2))
    rounded = tuple(round(part, 4) for part in (found.value, found.low, found.high))
    assert rounded == KATZ_PHYSICIANS["recomputed"]
    assert rounded == pytest.approx(KATZ_PHYSICIANS["published"], abs=0.0061)
    peer = confint_proportions_2indep(x1, n1, x2, n2, method="log", compare="ratio")
    # statsmodels adds half an event to the logarithm's variance.
    assert (found.low, found.high) == pytest.approx(peer, abs=0.01)


@pytest.mark.parametrize(("x1", "x2"), [(0, 3), (3, 0), (0, 0)])
def test_a_ratio_without_an_event_is_not_defined(x1, x2):
    found = ratio(Proportion(x1, 10), Proportion(x2, 10))
    assert (found.value, found.low, found.high) == (None, None, None)


@given(counts, counts, st.sampled_from([0.0, 0.5, 0.95]))
@example((40, 57), (2, 4), 0.95)  # limits of the formula that are not nested
def test_a_p_value_is_small_exactly_where_the_interval_leaves_nothing_out(first, second, shared):
    one, other = Proportion(*first), Proportion(*second)
    p = difference_p_value(one, other, shared)
    found = difference(one, other, correlation=shared)
    assert 0 < p <= 1
    assert p == pytest.approx(difference_p_value(other, one, shared))
    if abs(p - 0.05) > 1e-6:
        assert (p < 0.05) == (found.low > 0 or found.high < 0)
    wider = difference(one, other, 0.99, shared)
    assert wider.low <= found.low <= found.value <= found.high <= wider.high
    if 1e-6 < p < 1 - 1e-9:
        at_p = difference(one, other, 1 - p, shared)
        assert min(abs(at_p.low), abs(at_p.high)) == pytest.approx(0, abs=1e-7)


def test_a_difference_of_everything_has_a_p_value_all_the_same():
    assert 0 < difference_p_value(Proportion(5000, 5000), Proportion(0, 5000)) < 1e-290


@settings(max_examples=50)
@given(groups)
def test_one_screw_a_patient_and_group_is_near_the_plain_difference(rows):
    first = [1 if row[0] > 2 else 0 for row in rows] + [1, 0]
    second = [1 if row[2] > 2 else 0 for row in rows] + [1, 0]
    k = len(first)
    found = compare(
        (first + [0] * k, [1] * k + [0] * k),
        ([0] * k + second, [0] * k + [1] * k),
        INDEPENDENT,
    )
    # A group's linearised variance of single screws is K/(K - 1) times the plain one.
    effective = k - 1
    plain = difference(
        Proportion(sum(first) * effective / k, effective),
        Proportion(sum(second) * effective / k, effective),
    )
    ours = (found.difference.low, found.difference.high)
    assert ours == pytest.approx((plain.low, plain.high), abs=1e-6)
    assert (found.shared_patients, found.correlation) == (0, 0.0)


@settings(max_examples=60)
@given(groups)
def test_what_holds_of_every_comparison(rows):
    first, second = grouped(rows)
    unit = UnitClustering(patients=40, patients_with_event=9, rho=0.1)
    found, turned = compare(first, second, unit), compare(second, first, unit)
    apart = sum(first[0]) / sum(first[1]) - sum(second[0]) / sum(second[1])
    assert found.difference.value == pytest.approx(apart)
    assert -1 <= found.difference.low <= found.difference.value <= found.difference.high <= 1
    assert turned.difference.low == pytest.approx(-found.difference.high)
    assert turned.p_value == pytest.approx(found.p_value)
    if found.ratio.value is not None:
        assert turned.ratio.low == pytest.approx(1 / found.ratio.high)
    assert found.shared_patients == sum(1 for row in rows if row[1] and row[3])
    if not found.shared_patients:
        assert found.correlation == 0.0


def test_the_same_patients_in_both_narrow_the_interval():
    events, sizes = [3, 0, 2, 0, 4, 0, 1, 0], [5, 4, 6, 4, 5, 6, 4, 5]
    more = [min(y + (m > 4), m) for y, m in zip(events, sizes, strict=True)]
    unit = UnitClustering(patients=8, patients_with_event=4, rho=0.3)
    paired = compare((events, sizes), (more, sizes), unit)
    apart = compare(
        ([*events, *[0] * 8], [*sizes, *[0] * 8]), ([*[0] * 8, *more], [*[0] * 8, *sizes]), unit
    )
    assert paired.correlation > 0.8
    assert apart.correlation == 0
    assert paired.difference.value == apart.difference.value
    widths = [each.difference.high - each.difference.low for each in (paired, apart)]
    assert widths[0] < 0.7 * widths[1]


def test_the_ratio_is_the_delta_method_on_linearised_rates_where_these_are_the_widest():
    # Whole patients breached: the linearised variance is above what the pooled correlation makes.
    first = ([5, 0, 0, 4, 0, 0], [5, 4, 6, 4, 5, 6])
    second = ([4, 0, 1, 0, 0, 3], [4, 5, 5, 4, 4, 3])
    unit = UnitClustering(patients=6, patients_with_event=4, rho=0.0)
    found = compare(first, second, unit)
    rates = [sum(y) / sum(m) for y, m in (first, second)]
    log_parts = [
        (np.array(y) - p * np.array(m)) / (p * sum(m))
        for (y, m), p in zip((first, second), rates, strict=True)
    ]
    k = 6
    own = [k / (k - 1) * (part**2).sum() for part in log_parts]
    together = k / (k - 1) * ((log_parts[0] - log_parts[1]) ** 2).sum()
    assert own == pytest.approx(
        [linearised_variance(*each) / p**2 for each, p in zip((first, second), rates, strict=True)]
    )
    half = 1.959963985 * sqrt(together)
    middle = log(rates[0] / rates[1])
    ours = (log(found.ratio.low), log(found.ratio.high))
    assert ours == pytest.approx((middle - half, middle + half), abs=1e-8)


def test_adjusted_p_values_are_those_of_the_paper_and_of_statsmodels():
    for adjust, name, adjusted, rejected in (
        (benjamini_hochberg, "fdr_bh", BH_ADJUSTED, BH_REJECTED),
        (holm, "holm", HOLM_ADJUSTED, HOLM_REJECTED),
    ):
        found = adjust(P_VALUES)
        assert tuple(round(p, 6) for p in found) == adjusted
        assert sum(p <= 0.05 for p in found) == rejected
        assert found == pytest.approx(multipletests(P_VALUES, method=name)[1])


@pytest.mark.parametrize("seed", [0, 3])
def test_adjusting_keeps_the_order_and_never_lessens(seed):
    rng = np.random.default_rng(seed)
    p_values = [*np.round(rng.random(3 * seed + 1) ** 3, 2), 0.0, 1.0]
    order = rng.permutation(len(p_values))
    for adjust, name in ((benjamini_hochberg, "fdr_bh"), (holm, "holm")):
        found = adjust(p_values)
        assert found == pytest.approx(multipletests(p_values, method=name)[1])
        assert all(a >= p - 1e-12 for a, p in zip(found, p_values, strict=True))
        assert adjust([p_values[i] for i in order]) == pytest.approx([found[i] for i in order])


def test_the_trend_is_that_of_estimating_equations():
    events, patients, *_ = outcomes(31)
    quarters = np.random.default_rng(31).integers(0, 8, 80)[patients] + 8104
    found = trend(events, quarters, patients)
    design = np.column_stack([np.ones(len(events)), quarters - 8104.0])
    peer = sm.GEE(events.astype(float), design, groups=patients, family=sm.families.Binomial()).fit(
        cov_type="bias_reduced"
    )
    half = stats.t.ppf(0.975, 78) * peer.bse[1]
    expected = np.exp([peer.params[1], peer.params[1] - half, peer.params[1] + half])
    odds = found.odds_ratio
    assert (odds.value, odds.low, odds.high) == pytest.approx(tuple(expected), abs=1e-8)
    p = 2 * stats.t.sf(abs(peer.params[1] / peer.bse[1]), 78)
    assert found.p_value == pytest.approx(p)
    assert found.quarters == 8


@pytest.mark.parametrize(
    ("events", "quarters"),
    [([1, 0, 1, 0], [3, 3, 3, 3]), ([0, 0, 0, 0], [1, 2, 3, 4]), ([0, 0, 1, 1], [1, 1, 2, 2])],
    ids=["one quarter", "no event", "parted"],
)
def test_a_trend_that_cannot_be_told_is_none(events, quarters):
    found = trend(np.array(events, dtype=bool), np.array(quarters), np.arange(4))
    assert found.odds_ratio.value is None
    assert found.p_value is None


@pytest.mark.parametrize(
    ("quarters", "patients"),
    [
        # Each patient has one event of two: nobody's residuals say how sure a flat trend is.
        ([1, 1, 2, 2, 3, 3, 4, 4], [1, 1, 2, 2, 3, 3, 4, 4]),
        # One patient alone is all of the first quarter.
        ([1, 1, 2, 2, 2, 2, 2, 2], [1, 1, 2, 3, 4, 5, 6, 7]),
    ],
    ids=["no spread", "one patient a quarter"],
)
def test_a_trend_whose_spread_patients_do_not_show_is_none(quarters, patients):
    found = trend(np.array([1, 0] * 4, dtype=bool), np.array(quarters), np.array(patients))
    assert (found.odds_ratio.value, found.p_value) == (None, None)


@pytest.mark.parametrize("is_shared", [False, True], ids=["separate patients", "the same patients"])
def test_a_sample_of_the_coverage_holds(is_shared):
    # 40 patients a group, rate 10 %, correlation 0.15; the whole grid is in the long tests.
    covered = coverage(np.random.default_rng(8), 300, 40, (0.10, 0.10), 0.15, is_shared=is_shared)
    assert covered >= 0.95 - 3 * sqrt(0.95 * 0.05 / 300)
