from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports.statistics.clustered import (
    UnitClustering,
    anova_icc,
    clustered_interval,
    design_effect,
    linearised_variance,
    unit_clustering,
)
from reports.statistics.intervals import normal_quantile, score_interval
from tests.published.worked_intervals import DEFAULT, LITTERS, SCHOOLS
from tests.statistics.plain_default import default_interval, patients_of


def unit_of(screws):
    surgeons, patients, events = (np.array(column) for column in zip(*screws, strict=True))
    return unit_clustering(events.astype(bool), patients, surgeons)


def counts_of(screws):
    sizes, events = patients_of(screws)
    return [events[patient] for patient in sizes], list(sizes.values())


def screws_of(by_surgeon):
    return [
        (surgeon, 100 * surgeon + patient, number < breached)
        for surgeon, (sizes, events) in enumerate(by_surgeon)
        for patient, (size, breached) in enumerate(zip(sizes, events, strict=True))
        for number in range(size)
    ]


# A patient may have been operated on by two surgeons, and a surgeon may have one patient.
units = st.lists(
    st.tuples(st.integers(0, 2), st.integers(0, 8), st.integers(0, 3).map(lambda n: n == 0)),
    min_size=1,
    max_size=60,
)


@pytest.mark.parametrize("name", LITTERS)
def test_the_design_effect_is_that_of_rao_and_scott(name):
    litters = LITTERS[name]
    events, sizes = litters["events"], litters["sizes"]
    effect = design_effect(events, sizes)
    assert round(effect, 6) == litters["design_effect"]
    assert round(linearised_variance(events, sizes) ** 0.5, 8) == litters["standard_error"]
    assert round(anova_icc(events, sizes), 6) == litters["icc"]
    assert round(sum(sizes) / effect, 4) == litters["effective"]
    limits = score_interval(sum(events) / effect, sum(sizes) / effect, normal_quantile(0.95))
    assert limits.rounded(6) == litters["wilson_effective"]
    assert round(sum(events) / sum(sizes), 6) == litters["rate"]


@pytest.mark.parametrize("name", SCHOOLS)
def test_the_linearised_standard_error_is_that_of_r(name):
    schools = SCHOOLS[name]
    variance = linearised_variance(schools["events"], schools["sizes"])
    assert round(variance**0.5, 5) == schools["standard_error"]
    assert round(sum(schools["events"]) / sum(schools["sizes"]), 6) == schools["rate"]


@pytest.mark.parametrize("name", DEFAULT)
def test_the_default_interval_is_the_worked_one_with_all_its_parts(name):
    case = DEFAULT[name]
    unit = unit_of(screws_of(case["unit_by_surgeon"]))
    assert (unit.patients, unit.patients_with_event) == (case["K_u"], case["B_u"])
    assert unit.rho == pytest.approx(case["rho_u"], abs=5e-7)
    assert round(unit.pooled_rho, 6) == case["rho_p"]
    sizes, events = case["stratum"]
    result = clustered_interval(events, sizes, unit)
    assert result.patients == case["K"]
    assert result.rate == case["x"] / case["n"]
    assert result.rho == pytest.approx(case["rho_s"], abs=5e-7)
    for value, key in (
        (result.mean_size, "m_w"),
        (result.pooled_rho, "rho_p"),
        (result.linearised, "d_lin"),
        (result.design_effect, "deff"),
        (result.effective, "n_eff"),
        (result.df, "df"),
        (result.quantile, "t"),
    ):
        assert round(value, 6) == case[key], key
    assert result.interval.rounded(6) == (case["low"], case["high"])


@settings(deadline=None)
@given(units, st.data(), st.sampled_from([0.8, 0.95, 0.998]))
def test_a_slow_plain_version_gives_the_same_default_interval(unit, data, confidence):
    kept = data.draw(st.lists(st.booleans(), min_size=len(unit), max_size=len(unit)))
    stratum = [screw for screw, keep in zip(unit, kept, strict=True) if keep] or unit[:1]
    plain = default_interval(stratum, unit, confidence)
    result = clustered_interval(*counts_of(stratum), unit_of(unit), confidence)
    assert result.pooled_rho == pytest.approx(plain["rho_p"], abs=1e-9)
    assert result.design_effect == pytest.approx(plain["deff"], abs=1e-9)
    assert result.df == pytest.approx(plain["df"], abs=1e-9)
    limits = (result.interval.low, result.interval.high)
    assert limits == pytest.approx((plain["low"], plain["high"]), abs=1e-8)


@settings(deadline=None)
@given(units, st.sampled_from([0.5, 0.8, 0.95]), st.sampled_from([0.96, 0.99, 0.998]))
def test_the_default_interval_holds_its_rate_and_widens_with_confidence(unit, lower, higher):
    clustering = unit_of(unit)
    narrow = clustered_interval(*counts_of(unit), clustering, lower)
    wide = clustered_interval(*counts_of(unit), clustering, higher)
    assert 0 <= wide.interval.low <= narrow.interval.low <= narrow.rate
    assert narrow.rate <= narrow.interval.high <= wide.interval.high <= 1


@settings(deadline=None)
@given(units, st.randoms(use_true_random=False))
def test_the_order_of_screws_and_patients_never_matters(unit, random: Random):
    mixed = random.sample(unit, len(unit))
    before, after = unit_of(unit), unit_of(mixed)
    assert after.pooled_rho == pytest.approx(before.pooled_rho, abs=1e-12)
    first = clustered_interval(*counts_of(unit), before)
    second = clustered_interval(*counts_of(mixed), after)
    assert first.interval.low == pytest.approx(second.interval.low, abs=1e-12)
    assert first.interval.high == pytest.approx(second.interval.high, abs=1e-12)


@settings(deadline=None)
@given(units)
def test_a_patient_without_a_graded_screw_changes_nothing(unit):
    events, sizes = counts_of(unit)
    clustering = unit_of(unit)
    with_empty = clustered_interval([*events, 0], [*sizes, 0], clustering)
    assert with_empty == clustered_interval(events, sizes, clustering)


def test_differences_between_surgeons_do_not_look_like_clustering_within_patients():
    # Every patient of the first surgeon has half the screws breached, none of the second's has one.
    # By hand: together (1/3 - 1/6)/(1/3 + 3/6), within surgeons (0 - 1/6)/(0 + 3/6).
    sizes, events, surgeons = [4, 4, 4, 4], [2, 2, 0, 0], [1, 1, 2, 2]
    assert anova_icc(events, sizes) == pytest.approx(1 / 5)
    assert anova_icc(events, sizes, surgeons) == pytest.approx(-1 / 3)


@pytest.mark.parametrize(
    ("events", "sizes", "surgeons"),
    [
        ([1, 0, 0], [1, 1, 1], None),
        ([2], [5], None),
        ([0, 0], [4, 6], None),
        ([4, 6], [4, 6], None),
        ([], [], None),
        ([1, 2], [4, 6], [1, 2]),
        ([4, 0], [4, 6], [1, 2]),
        ([0, 0, 0, 2], [1, 1, 1, 5], [1, 1, 1, 2]),
    ],
    ids=[
        "one screw each",
        "one patient",
        "no event",
        "nothing but events",
        "nobody",
        "one patient a surgeon",
        "one surgeon always, one never",
        "spread only where there is one patient",
    ],
)
def test_the_correlation_is_undefined_where_nothing_tells_of_it(events, sizes, surgeons):
    assert anova_icc(events, sizes, surgeons) is None


@pytest.mark.parametrize(
    ("events", "sizes"), [([2], [5]), ([0, 0], [4, 6]), ([4, 6], [4, 6]), ([0, 2], [0, 5])]
)
def test_the_linearised_design_effect_is_one_where_patients_tell_nothing(events, sizes):
    assert design_effect(events, sizes) == 1


def test_ends_are_exact():
    unit = UnitClustering(patients=30, patients_with_event=3, rho=0.2)
    assert clustered_interval([0, 0], [4, 7], unit).interval.low == 0
    assert clustered_interval([4, 7], [4, 7], unit).interval.high == 1
    none = clustered_interval([0, 0], [4, 7], unit)
    square = none.quantile**2
    assert none.interval.high == pytest.approx(square / (none.effective + square), abs=1e-12)


def test_where_each_patient_has_one_screw_the_design_effect_is_that_of_the_patients():
    unit = UnitClustering(patients=30, patients_with_event=3, rho=0.2)
    result = clustered_interval([1, 0, 0, 0, 0], [1, 1, 1, 1, 1], unit)
    assert result.design_effect == pytest.approx(5 / 4, abs=1e-12)


def test_a_unit_without_anything_graded_starts_from_the_assumed_correlation():
    nobody = unit_clustering(np.array([], dtype=bool), np.array([], int), np.array([], int))
    assert nobody == UnitClustering(patients=0, patients_with_event=0, rho=None)
    assert nobody.pooled_rho == pytest.approx(0.10)


@pytest.mark.parametrize(
    ("events", "sizes", "fault"),
    [
        ([], [], "without a graded screw"),
        ([0], [0], "without a graded screw"),
        ([1], [2, 3], "for 2 sizes"),
        ([3], [2], "outside 0"),
        ([-1], [2], "outside 0"),
        ([0, 0, 0], [1, 1, 1], "3 patients in a unit of 2"),
    ],
)
def test_counts_without_an_interval_are_refused(events, sizes, fault):
    unit = UnitClustering(patients=2, patients_with_event=0, rho=None)
    with pytest.raises(ValueError, match=fault):
        clustered_interval(events, sizes, unit)


def test_groups_and_keys_must_match_their_counts():
    with pytest.raises(ValueError, match="2 groups for 1 sizes"):
        anova_icc([1], [2], [1, 2])
    with pytest.raises(ValueError, match="1 events, 2 patients"):
        unit_clustering(np.array([True]), np.array([1, 2]), np.array([1]))
