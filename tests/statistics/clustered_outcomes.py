"""Invented outcomes that share patients, from a seed."""

from __future__ import annotations

import numpy as np
from scipy import special


def outcomes(seed, patients=80, base=-2.0, level=0.8, bone=0.0, spread=0.7):
    """Return events, patients and two factors: `level` within patients, `bone` of the patient."""
    rng = np.random.default_rng(seed)
    patient = np.repeat(np.arange(patients), rng.integers(4, 15, patients))
    is_high = rng.random(len(patient)) < 0.4
    is_poor = (rng.random(patients) < 0.4)[patient]
    own = rng.normal(0, spread, patients)[patient]
    events = rng.random(len(patient)) < special.expit(base + level * is_high + bone * is_poor + own)
    return events, patient.astype(np.int64), is_high, is_poor
