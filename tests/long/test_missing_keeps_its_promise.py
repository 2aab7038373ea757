"""How often the rate of all screws lies in its interval where those missing are like the others.

Printed as a table; a cell fails where its upper 99% simulation limit is under 94%.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.build.partly_observed import share_held

SAMPLES = 10_000


@pytest.mark.parametrize("patients", [15, 60, 200])
def test_the_interval_holds_the_truth(patients):
    share = share_held(np.random.default_rng(20261128 + patients), SAMPLES, patients=patients)
    print(f"\n{patients} patients of four screws, a third of them missing: {share:.4f}")
    assert share + 2.576 * np.sqrt(share * (1 - share) / SAMPLES) >= 0.94
