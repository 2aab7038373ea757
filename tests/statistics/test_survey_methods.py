import numpy as np
import pytest

from reports.statistics.intervals import clopper_pearson
from reports.statistics.survey_methods import (
    arcsine_interval,
    fleiss_cuzick,
    korn_graubard,
    logit_interval,
    plain_mean_interval,
)
from tests.published.worked_intervals import LITTERS, SCHOOLS

WORKED = LITTERS | SCHOOLS


@pytest.mark.parametrize("name", WORKED)
@pytest.mark.parametrize(
    ("method", "key"),
    [
        (logit_interval, "logit"),
        (arcsine_interval, "arcsine"),
        (korn_graubard, "beta"),
        (plain_mean_interval, "mean"),
    ],
    ids=["logit", "arcsine", "beta", "mean"],
)
def test_the_interval_is_the_one_that_r_printed(name, method, key):
    worked = WORKED[name]
    assert method(worked["events"], worked["sizes"]).rounded(6) == worked[key]


def test_patients_more_alike_than_by_chance_give_no_more_screws_than_there_are():
    found = korn_graubard([2, 2, 2, 1, 2, 2], [8, 8, 8, 8, 8, 8])
    assert found.rounded(12) == clopper_pearson(11, 48).rounded(12)


@pytest.mark.parametrize("name", LITTERS)
def test_the_correlation_of_fleiss_and_cuzick_is_the_worked_one(name):
    litters = LITTERS[name]
    found = fleiss_cuzick(litters["events"], litters["sizes"])
    assert round(found, 6) == litters["fleiss_cuzick"]


@pytest.mark.parametrize("events", [[0, 0], [4, 6]])
def test_at_the_ends_no_number_is_invented(events):
    sizes = [4, 6]
    assert logit_interval(events, sizes) is None
    assert arcsine_interval(events, sizes) is None
    assert fleiss_cuzick(events, sizes) is None
    exact = clopper_pearson(sum(events), 10)
    assert korn_graubard(events, sizes) == exact


def test_one_patient_and_one_screw_each_tell_nothing_of_the_spread():
    assert logit_interval([1], [5]) is None
    assert arcsine_interval([1], [5]) is None
    assert korn_graubard([1], [5]) == clopper_pearson(1, 5)
    assert fleiss_cuzick([1, 0, 0], [1, 1, 1]) is None


def test_a_patient_without_a_graded_screw_changes_nothing():
    events, sizes = [3, 0, 1], [8, 6, 9]
    for method in (logit_interval, arcsine_interval, korn_graubard):
        before, after = method(events, sizes), method([*events, 0], [*sizes, 0])
        assert np.allclose([before.low, before.high], [after.low, after.high])


@pytest.mark.parametrize(
    "method", [logit_interval, arcsine_interval, korn_graubard, plain_mean_interval]
)
def test_without_a_graded_screw_there_is_no_interval(method):
    with pytest.raises(ValueError, match="without a graded screw"):
        method([0], [0])
