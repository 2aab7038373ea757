"""Patients of whom some screws were not looked at, and how often an interval holds the truth."""

from __future__ import annotations

import numpy as np

from reports.statistics.clustered import clustered_interval, unit_clustering
from reports.statistics.missing import Observed, like_the_observed

RATE = 0.1


def drawn(rng, patients, rate):
    """Draw patients of four screws in two strata; those of the second are seen half as often."""
    patient = np.repeat(np.arange(patients), 4)
    stratum = np.tile([0, 0, 1, 1], patients)
    own = np.repeat(rng.beta(rate * 9, (1 - rate) * 9, patients), 4)
    event = rng.random(len(patient)) < np.where(stratum == 1, np.minimum(1.6 * own, 1), own)
    seen = rng.random(len(patient)) < np.where(stratum == 1, 0.45, 0.9)
    return Observed(patient, stratum, seen, event & seen), event.mean()


def known_of(screws):
    patient, event = screws.patient[screws.is_observed], screws.is_event[screws.is_observed]
    unit = unit_clustering(event, patient, np.zeros(len(patient), dtype=np.int64))
    sizes = np.bincount(patient)
    events = np.bincount(patient, event).astype(np.int64)
    return clustered_interval(events[sizes > 0], sizes[sizes > 0], unit)


def share_held(rng, samples, *, patients):
    """Return the share of samples whose interval holds the mean of all such patients."""
    # The second stratum's rate is 1.6 times the patient's own, cut at 1.
    own = rng.beta(RATE * 9, (1 - RATE) * 9, 1_000_000)
    truth = (own.mean() + np.minimum(1.6 * own, 1).mean()) / 2
    held = 0
    for _ in range(samples):
        screws, _ = drawn(rng, patients, RATE)
        found = like_the_observed(screws, known_of(screws))
        held += found.low <= truth <= found.high
    return held / samples
