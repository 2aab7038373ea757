import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, binomtest, norm, t
from statsmodels.stats.proportion import proportion_confint

from reports.statistics.intervals import (
    clopper_pearson,
    jeffreys,
    mid_p,
    normal_quantile,
    score_interval,
    student_quantile,
    wilson,
    wilson_corrected,
)
from tests.published.worked_intervals import SINGLE

METHODS = {
    "wilson": wilson,
    "clopper-pearson": clopper_pearson,
    "jeffreys": jeffreys,
    "mid-p": mid_p,
    "wilson-corrected": wilson_corrected,
}
STATSMODELS_NAMES = {"wilson": "wilson", "clopper-pearson": "beta", "jeffreys": "jeffreys"}

counts = st.integers(1, 3000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
confidences = st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99, 0.998, 0.9999])


@pytest.mark.parametrize(
    ("method", "events", "size", "expected", "digits"),
    [entry[:5] for entry in SINGLE],
    ids=[f"{entry[0]} {entry[1]} of {entry[2]}" for entry in SINGLE],
)
def test_the_interval_is_the_worked_one_to_its_printed_digits(
    method, events, size, expected, digits
):
    assert METHODS[method](events, size).rounded(digits) == expected


# statsmodels: Seabold S, Perktold J. statsmodels: econometric and statistical modeling with Python.
@settings(deadline=None)
@given(counts, confidences, st.sampled_from(sorted(STATSMODELS_NAMES)))
def test_statsmodels_gives_the_same_interval(count, confidence, method):
    events, size = count
    ours = METHODS[method](events, size, confidence)
    low, high = proportion_confint(
        events, size, alpha=1 - confidence, method=STATSMODELS_NAMES[method]
    )
    # statsmodels keeps Jeffreys' quantile without an event and where all are events.
    if method == "jeffreys" and events == 0:
        low = 0.0
    if method == "jeffreys" and events == size:
        high = 1.0
    assert (ours.low, ours.high) == pytest.approx((low, high), abs=1e-9)


@settings(deadline=None)
@given(counts, confidences)
def test_mid_p_leaves_half_the_probability_of_what_was_seen_beyond_each_limit(count, confidence):
    # By the binomial distribution itself, where the program sums with the incomplete beta.
    events, size = count
    ours, tail = mid_p(events, size, confidence), (1 - confidence) / 2
    if events > 0:
        beyond = binom.sf(events, size, ours.low) + binom.pmf(events, size, ours.low) / 2
        assert beyond == pytest.approx(tail, rel=1e-6)
    if events < size:
        below = binom.cdf(events - 1, size, ours.high) + binom.pmf(events, size, ours.high) / 2
        assert below == pytest.approx(tail, rel=1e-6)


def test_mid_p_is_refused_of_counts_that_are_not_whole():
    with pytest.raises(ValueError, match="whole numbers"):
        mid_p(2.5, 20)


@settings(deadline=None)
@given(counts, confidences)
def test_scipy_gives_the_same_wilson_and_clopper_pearson(count, confidence):
    events, size = count
    peer = binomtest(events, size)
    for method, name in ((wilson, "wilson"), (clopper_pearson, "exact")):
        low, high = peer.proportion_ci(confidence, method=name)
        ours = method(events, size, confidence)
        assert (ours.low, ours.high) == pytest.approx((low, high), abs=1e-9)


@settings(deadline=None)
@given(counts, confidences, confidences, st.sampled_from(sorted(METHODS)))
def test_an_interval_holds_its_rate_and_widens_with_confidence(count, first, second, method):
    events, size = count
    narrow = METHODS[method](events, size, min(first, second))
    wide = METHODS[method](events, size, max(first, second))
    assert 0 <= wide.low <= narrow.low <= events / size <= narrow.high <= wide.high <= 1


@pytest.mark.parametrize("method", METHODS.values(), ids=METHODS)
@pytest.mark.parametrize("size", [1, 2, 20, 100_000])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.998])
def test_the_ends_are_exact_and_mirror_each_other(method, size, confidence):
    none, whole = method(0, size, confidence), method(size, size, confidence)
    assert none.low == 0
    assert whole.high == 1
    assert none.high == pytest.approx(1 - whole.low, abs=1e-12)


@pytest.mark.parametrize("size", [1, 7, 263])
@pytest.mark.parametrize("tail", [0.025, 0.001, 1e-9])
def test_without_an_event_the_upper_limit_is_the_closed_form(size, tail):
    confidence = 1 - 2 * tail
    z = norm.isf(tail)
    # Setting p = 0 in the definitions: z^2/(n + z^2), and (1 - U)^n = tail.
    assert wilson(0, size, confidence).high == pytest.approx(z**2 / (size + z**2), rel=1e-7)
    exact = clopper_pearson(0, size, confidence).high
    assert exact == pytest.approx(1 - tail ** (1 / size), rel=1e-7)


def test_clopper_pearson_of_one_screw_is_half_the_tail_away_from_the_end():
    assert clopper_pearson(1, 1).rounded(6) == (0.025, 1.0)
    assert clopper_pearson(0, 1).rounded(6) == (0.0, 0.975)


def test_counts_need_not_be_whole():
    between = clopper_pearson(2.5, 20.5)
    assert clopper_pearson(2, 20.5).low < between.low < clopper_pearson(3, 20.5).low
    assert wilson(2.5, 20.5).low < 2.5 / 20.5 < wilson(2.5, 20.5).high
    assert jeffreys(2.5, 20.5).low < 2.5 / 20.5 < jeffreys(2.5, 20.5).high


@pytest.mark.parametrize("method", METHODS.values(), ids=METHODS)
@pytest.mark.parametrize(
    ("events", "size", "confidence"),
    [
        (0, 0, 0.95),
        (0, -1, 0.95),
        (-1, 10, 0.95),
        (11, 10, 0.95),
        (1, 10, 0),
        (1, 10, 1),
        (float("nan"), 10, 0.95),
        (1, float("nan"), 0.95),
    ],
)
def test_counts_without_a_proportion_are_refused(method, events, size, confidence):
    with pytest.raises(ValueError, match=r"observations|confidence"):
        method(events, size, confidence)


@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.998])
@pytest.mark.parametrize("df", [0.5, 1, 8, 28.5, 228, 1e5, 1e9])
def test_quantiles_are_those_of_scipys_distributions(confidence, df):
    tail = (1 - confidence) / 2
    assert normal_quantile(confidence) == pytest.approx(norm.isf(tail), rel=1e-12)
    assert student_quantile(confidence, df) == pytest.approx(t.isf(tail, df), rel=1e-9)


def test_a_quantile_needs_degrees_of_freedom():
    with pytest.raises(ValueError, match="degrees of freedom"):
        student_quantile(0.95, 0)


def test_a_vanishing_quantile_leaves_the_rate_itself():
    assert score_interval(1, 3, 1e-12).rounded(9) == (0.333333333, 0.333333333)
