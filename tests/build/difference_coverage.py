"""How often the interval of a difference holds the true one: patients drawn from a seed.

Each patient has a rate of their own, from a beta distribution, and 2 to 8 screws of a group. Where
the same patients have both groups, their rate is the same in both.
"""

from __future__ import annotations

import numpy as np

from reports.statistics.clustered import UnitClustering, anova_icc
from reports.statistics.comparison import compare


def coverage(rng, samples, patients, rates, rho, *, is_shared):
    """Return the share of samples whose interval holds the true difference."""
    held = 0
    for _ in range(samples):
        sizes = rng.integers(2, 9, (2, patients))
        shape = (1 - rho) / rho
        own = [rng.beta(rate * shape, (1 - rate) * shape, patients) for rate in rates]
        events = rng.binomial(sizes, [own[0], own[0]] if is_shared else own)
        if is_shared:
            y, m = events.sum(axis=0), sizes.sum(axis=0)
            first, second = (events[0], sizes[0]), (events[1], sizes[1])
        else:
            y, m = events.ravel(), sizes.ravel()
            nothing = np.zeros(patients, dtype=np.int64)
            first = tuple(np.concatenate([each[0], nothing]) for each in (events, sizes))
            second = tuple(np.concatenate([nothing, each[1]]) for each in (events, sizes))
        unit = UnitClustering(len(m), int((y > 0).sum()), anova_icc(y, m))
        found = compare(first, second, unit).difference
        held += found.low <= (0 if is_shared else rates[0] - rates[1]) <= found.high
    return held / samples
