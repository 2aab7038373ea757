"""Surgeons who are as expected are seldom called: observed over expected over a grid, fresh seeds.

The limits err to the wide side, because events are counted as Poisson and the upper limit of few
effective events is far; so each cell holds 1 more often than promised, and none less.
"""

from __future__ import annotations

import secrets
from math import sqrt

import numpy as np

from tests.build.expected_coverage import as_expected

SAMPLES = 10_000


def test_one_lies_within_the_limits_as_often_as_promised():
    seed = secrets.randbits(32)
    print(f"\nseed {seed}, {SAMPLES} samples a cell")
    rng = np.random.default_rng(seed)
    for patients in (5, 20, 60):
        for rate in (0.03, 0.08, 0.20):
            for rho in (0.0001, 0.05, 0.15, 0.30):
                held, above = as_expected(rng, SAMPLES, patients, rate, rho)
                print(
                    f"{patients} patients, rate {rate}, correlation {rho}: {held:.4f} {above:.4f}"
                )
                assert held + 2.326 * sqrt(held * (1 - held) / SAMPLES) > 0.95
                assert above < 0.025
