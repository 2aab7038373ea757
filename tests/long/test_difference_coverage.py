"""The interval of a difference holds the true one as often as it says, over a grid, fresh seeds."""

from __future__ import annotations

import secrets
from math import sqrt

import numpy as np

from tests.build.difference_coverage import coverage

SAMPLES = 10_000
PROMISED, SIMULATION_99 = 0.94, 2.326
RARE, OFTEN, APART = (0.05, 0.05), (0.20, 0.20), (0.05, 0.20)

# Ten patients or fewer who all have both groups and who differ much: short, and said on the page.
KNOWN_SHORT = {(patients, OFTEN, rho, True) for patients in (5, 10, 20) for rho in (0.15, 0.30)}


def cells():
    """Yield patients a group, rates, correlation, and whether the patients are the same."""
    for is_shared in (False, True):
        for patients in (5, 10, 20, 50):
            for rates in (RARE, OFTEN) if is_shared else (RARE, OFTEN, APART):
                for rho in (0.0001, 0.05, 0.15, 0.30):
                    yield patients, rates, rho, is_shared


def test_no_cell_falls_short_but_those_known_to():
    seed = secrets.randbits(32)
    print(f"\nseed {seed}, {SAMPLES} samples a cell")
    rng = np.random.default_rng(seed)
    short = {}
    for patients, rates, rho, is_shared in cells():
        held = coverage(rng, SAMPLES, patients, rates, rho, is_shared=is_shared)
        who = "the same patients" if is_shared else "separate patients"
        print(f"{who}, {patients} each, rates {rates}, correlation {rho}: {held:.4f}")
        if held + SIMULATION_99 * sqrt(held * (1 - held) / SAMPLES) < PROMISED:
            short[patients, rates, rho, is_shared] = held
    assert set(short) <= KNOWN_SHORT
    assert min(short.values(), default=1) > 0.89
