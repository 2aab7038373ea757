"""How often a unit that stays alike gives a false signal, held against its own earlier quarters.

The words beside a run say it in numbers (`reports/tables/quarters_before.py`): simulated here anew,
by the definitions in plain arrays, many units at once. One command:
`python -m pytest tests/long/test_unit_against_its_past.py -n0`, some 20 s.
"""

from __future__ import annotations

import numpy as np
import pytest

from reports.statistics.run_lengths import operations, simulated_limit
from reports.statistics.sequential import BETTER, WORSE
from reports.tables.quarters_before import _PAST, LEAST_EARLIER

RATE, RHO = 0.058, 0.084
SCREWS, OPERATIONS, QUARTERS, UNITS = 7, 40, 9, 4000
"""Of an operation; a quarter; some two years after the first quarters; simulated."""


def signals(*, is_rate_known):
    """Return the share of units with a signal: of the charts for worse, for better."""
    rng = np.random.default_rng(20_261_128)
    first, second = RATE * (1 - RHO) / RHO, (1 - RATE) * (1 - RHO) / RHO
    alike = operations(np.full(SCREWS, RATE), np.ones(SCREWS, dtype=np.int64), WORSE)
    other = operations(np.full(SCREWS, RATE), np.ones(SCREWS, dtype=np.int64), BETTER)
    limits = [simulated_limit(each, RHO).limit for each in (alike, other)]
    charts, found = np.zeros((2, UNITS)), np.zeros((2, UNITS), dtype=bool)
    events, screws = np.zeros(UNITS), 0
    for _ in range(QUARTERS):
        begun = events >= LEAST_EARLIER
        expected = np.full(UNITS, RATE)
        if not is_rate_known:
            expected = np.where(begun, events / max(screws, 1), RATE)
        for _ in range(OPERATIONS):
            seen = rng.binomial(SCREWS, rng.beta(first, second, UNITS))
            for chart, (ratio, limit) in enumerate(zip((WORSE, BETTER), limits, strict=True)):
                step = seen * np.log(ratio) - SCREWS * np.log(1 - expected + ratio * expected)
                charts[chart] = np.where(begun, np.maximum(0, charts[chart] + step), 0)
                found[chart] |= charts[chart] >= limit
            events += seen
            screws += SCREWS
    return 100 * found.mean(axis=1)


def test_false_signals_are_as_often_as_the_words_say():
    against_past, known = signals(is_rate_known=False), signals(is_rate_known=True)
    print(f"against the past {against_past}, with the true rate {known}, in 100 units")
    assert "in 38 (worse) and 42 (better) of 100" in _PAST
    assert "against 32 and 32 with the true rate" in _PAST
    assert against_past == pytest.approx([38, 42], abs=2)
    assert known == pytest.approx([32, 32], abs=2)
