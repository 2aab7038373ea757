import numpy as np
import pytest
from scipy.special import ndtr

from reports.statistics.observed_expected import (
    byar_limits,
    observed_over_expected,
    poisson_limits,
)
from tests.build.expected_coverage import as_expected
from tests.published.worked_comparisons import BYAR_100_OVER_90, POISSON_LIMITS


@pytest.mark.parametrize(("count", "exact", "byar"), POISSON_LIMITS)
def test_limits_of_a_count_are_those_of_r(count, exact, byar):
    found = poisson_limits(count)
    assert (found.low, found.high) == pytest.approx(exact, abs=5e-10)
    assert byar_limits(count).rounded(6) == byar


def test_byars_limits_are_those_of_a_formula_librarys_manual():
    found = byar_limits(100, 2 * float(ndtr(1.96)) - 1)
    assert (found.low / 90, found.high / 90) == pytest.approx(BYAR_100_OVER_90, abs=1e-9)


def test_without_an_event_the_lower_limit_is_exactly_nothing():
    found = observed_over_expected(0, 4)
    assert (found.value, found.low) == (0.0, 0.0)
    assert found.high == pytest.approx(3.688879 / 4, abs=5e-7)  # -ln(0.025)


def test_a_design_effect_widens_the_limits_about_the_same_quotient():
    plain, wide = observed_over_expected(12, 8), observed_over_expected(12, 8, 2.0)
    assert wide.value == plain.value
    assert wide.low < plain.low < plain.value < plain.high < wide.high
    halved = poisson_limits(6)
    assert (wide.low, wide.high) == pytest.approx((halved.low / 4, halved.high / 4))


def test_nothing_expected_has_no_quotient():
    assert observed_over_expected(0, 0).value is None


def test_a_sample_of_surgeons_who_are_as_expected_is_seldom_called():
    # The whole grid is in the long tests.
    held, above = as_expected(np.random.default_rng(3), 150, 20, 0.08, 0.15)
    assert held > 0.93
    assert above < 0.05


@pytest.mark.parametrize("wrong", [(-1, 1, 1.0), (1, 1, 0.0)])
def test_what_is_no_count_is_refused(wrong):
    with pytest.raises(ValueError, match=r"a count of|a design effect of"):
        observed_over_expected(*wrong)
