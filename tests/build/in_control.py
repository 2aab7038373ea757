"""Surgeons who are all alike, whose screws share patients: what charts say of them is false.

A surgeon's patients have 2 to 16 screws; the events of a patient's screws are beta-binomial.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reports.statistics.clustered import clustered_interval, unit_clustering
from reports.statistics.funnel import ALARM, ALERT, funnel_limits

SIZES = np.array([2, 4, 4, 6, 6, 8, 8, 10, 12, 16])


@dataclass(frozen=True)
class Alarms:
    """Shares of surgeons beyond a line: above and below the outer, above and below the inner."""

    surgeons: int
    above_998: float
    below_998: float
    above_95: float
    below_95: float


def patients(rng, count, rate, rho):
    """Return events and sizes of so many patients."""
    sizes = rng.choice(SIZES, count)
    rates = rng.beta(rate * (1 - rho) / rho, (1 - rate) * (1 - rho) / rho, count) if rho else rate
    return rng.binomial(sizes, rates), sizes


def false_alarms(surgeons, rate, rho, seed, *, plain=False):
    """Return how many of the surgeons, eight to a unit, the unit's own funnel would point at."""
    rng = np.random.default_rng(seed)
    beyond = np.zeros(4)
    units = surgeons // 8
    for _ in range(units):
        counts = rng.integers(10, 61, 8)
        events, sizes = patients(rng, counts.sum(), rate, rho)
        whose = np.repeat(np.arange(8), counts)
        target = events.sum() / sizes.sum()
        if target == 0:
            continue
        unit = _clustering(events, sizes, whose)
        for surgeon in range(8):
            own = whose == surgeon
            found = clustered_interval(events[own], sizes[own], unit)
            size = sizes[own].sum() if plain else found.effective
            outer, inner = (funnel_limits(target, size, level) for level in (ALARM, ALERT))
            beyond += [
                found.rate > outer.high, found.rate < outer.low,
                found.rate > inner.high, found.rate < inner.low,
            ]  # fmt: skip
    return Alarms(8 * units, *(float(each) for each in beyond / (8 * units)))


def _clustering(events, sizes, whose):
    patient = np.repeat(np.arange(len(sizes)), sizes)
    place = np.concatenate([np.arange(size) for size in sizes])
    return unit_clustering(place < events[patient], patient, whose[patient])


def run_lengths(limit, odds_ratio, rate, rho, surgeons, seed, *, true_ratio=1.0):
    """Return the screws that each surgeon's chart runs to its limit, one operation at a time.

    Written from the chart's definition alone: nothing of the program is used.
    """
    rng = np.random.default_rng(seed)
    real = true_ratio * rate / (1 - rate + true_ratio * rate)
    event, none = np.log(odds_ratio), np.log(1 - rate + odds_ratio * rate)
    level, screws, found = np.zeros(surgeons), np.zeros(surgeons), []
    while len(level):
        events, sizes = patients(rng, len(level), real, rho)
        level = np.maximum(0.0, level + events * event - sizes * none)
        screws = screws + sizes
        found.append(screws[level >= limit])
        screws, level = screws[level < limit], level[level < limit]
    return np.concatenate(found)
