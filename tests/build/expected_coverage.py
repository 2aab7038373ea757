"""How often the limits of observed over expected hold 1 for surgeons who are as expected.

A unit of six surgeons; each patient has 4 to 15 screws and a rate of their own, from a beta
distribution; the expected count is the true one.
"""

from __future__ import annotations

import numpy as np

from reports.statistics.clustered import UnitClustering, anova_icc, clustered_interval
from reports.statistics.observed_expected import observed_over_expected

SURGEONS = 6


def as_expected(rng, samples, patients, rate, rho):
    """Return the shares of samples whose limits hold 1, and whose limits lie above it."""
    held = above = 0
    shape = (1 - rho) / rho
    for _ in range(samples):
        everybody = SURGEONS * patients
        sizes = rng.integers(4, 16, everybody)
        own = rng.beta(rate * shape, (1 - rate) * shape, everybody)
        events = rng.binomial(sizes, own)
        surgeon = np.arange(everybody) % SURGEONS
        unit = UnitClustering(everybody, int((events > 0).sum()), anova_icc(events, sizes, surgeon))
        y, m = events[surgeon == 0], sizes[surgeon == 0]
        effect = clustered_interval(y, m, unit).design_effect
        found = observed_over_expected(int(y.sum()), rate * m.sum(), effect)
        held += found.low <= 1 <= found.high
        above += found.low > 1
    return held / samples, above / samples
