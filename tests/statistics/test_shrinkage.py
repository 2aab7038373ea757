"""Shrunken rates against the same model worked out by drawing, and what must hold of them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports.statistics.estimate import Estimate
from reports.statistics.shrinkage import PRIOR_SCALE, shrunken


def drawn(events, sizes, target, draws=400_000, seed=2):
    """Return the posterior means by drawing spreads from the prior and weighing each draw."""
    rng = np.random.default_rng(seed)
    spreads = np.abs(rng.normal(0, PRIOR_SCALE, draws)).clip(0.005, 2)
    strength = 1 / (spreads**2 * target * (1 - target)) - 1
    rates = rng.beta(target * strength, (1 - target) * strength, (len(events), draws))
    rates = rates.clip(1e-12, 1 - 1e-12)
    x, n = np.array(events)[:, None], np.array(sizes)[:, None]
    logs = (x * np.log(rates) + (n - x) * np.log1p(-rates)).sum(axis=0)
    weights = np.exp(logs - logs.max())
    return rates @ weights / weights.sum()


def test_the_means_are_those_of_the_same_model_by_drawing():
    events, sizes = [6, 1, 0], [60, 40, 15]
    found = [each.value for each in shrunken(events, sizes, 0.06)]
    assert found == pytest.approx(drawn(events, sizes, 0.06), rel=0.02)


counts = st.lists(st.tuples(st.floats(0, 1), st.floats(1, 400)), min_size=1, max_size=6)


@settings(max_examples=20, deadline=None)
@given(counts, st.floats(0.01, 0.5))
def test_a_shrunken_rate_lies_between_the_surgeons_own_and_the_units(surgeons, target):
    sizes = [size for _, size in surgeons]
    events = [share * size for share, size in surgeons]
    for (share, _), found in zip(surgeons, shrunken(events, sizes, target), strict=True):
        assert min(share, target) - 1e-9 <= found.value <= max(share, target) + 1e-9
        assert 0 <= found.low <= found.value <= found.high <= 1


def test_more_screws_draw_less_and_other_surgeons_who_differ_draw_less_too():
    few, many = shrunken([2, 20], [20, 200], 0.05)
    assert 0.05 < few.value < many.value < 0.1
    alike = shrunken([10, 5, 5, 5, 5], [100] * 5, 0.05)[0]
    apart = shrunken([10, 0, 0, 14, 1], [100] * 5, 0.05)[0]
    assert alike.value < apart.value


def test_without_a_target_between_nothing_and_all_there_is_no_estimate():
    assert shrunken([0, 0], [10, 20], 0.0) == [Estimate(), Estimate()]
    with pytest.raises(ValueError, match="outside"):
        shrunken([3], [2], 0.1)
    with pytest.raises(ValueError, match="for 2"):
        shrunken([3], [4, 5], 0.1)
