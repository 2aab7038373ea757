"""Three thousand simulated years with second readings only of some; a seeded share runs always."""

from __future__ import annotations

import numpy as np

from tests.build.partial_years import simulated_years


def test_three_thousand_years_are_corrected_without_bias():
    years = simulated_years(years=3000, seed=7)
    corrected, uncorrected = years.corrected - years.full, years.uncorrected - years.full
    error = corrected.std(ddof=1) / np.sqrt(len(corrected))
    print(
        f"\nbias corrected {corrected.mean():+.5f} (error {error:.5f}), uncorrected "
        f"{uncorrected.mean():+.5f}; coverage {years.covered.mean():.3f}"
    )
    assert abs(corrected.mean()) < 3 * error
    assert uncorrected.mean() < -20 * error
