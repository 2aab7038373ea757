"""What is lost and spared by using a case-mix model only where it beats chance on unseen patients.

Six surgeons of whom the first has a tenth and the last seven tenths of harder levels; patients
differ (logistic-normal, standard deviation 0.6). How far what is expected of each surgeon lies from
the truth is the root mean square of its log quotient. One command, about two minutes:
`python -m pytest tests/long/test_when_case_mix_is_used.py -n0 -s`.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from reports.statistics import case_mix as under_test
from reports.statistics.case_mix import CaseMix, Factor, case_mix
from reports.statistics.clustered import unit_clustering

SURGEONS, UNITS = 6, 100
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(40)


def marginal(log_odds):
    """Return the probability over patients, by Gauss-Hermite quadrature."""
    return special.expit(np.add.outer(log_odds, 0.6 * _NODES)) @ _WEIGHTS / _WEIGHTS.sum()


def a_unit(rng, patients, effect):
    """Return events, patient, surgeon, factors, and the events truly expected of each surgeon."""
    patient = np.repeat(np.arange(patients), rng.integers(4, 11, patients))
    surgeon = rng.integers(0, SURGEONS, patients)[patient]
    is_hard = rng.random(len(patient)) < np.linspace(0.1, 0.7, SURGEONS)[surgeon]
    log_odds = -2.95 - 0.35 * effect + effect * is_hard
    own = rng.normal(0, 0.6, patients)[patient]
    events = rng.random(len(patient)) < special.expit(log_odds + own)
    easy = np.array(["L1", "L3", "L5"])[rng.integers(0, 3, len(patient))]
    bone = np.array(["poor", "fair", "good"])[rng.integers(0, 3, patients)[patient]]
    factors = [Factor("level", np.where(is_hard, "T6", easy)), Factor("bone", bone)]
    true = np.bincount(surgeon, marginal(log_odds), SURGEONS)
    return events, patient, surgeon, factors, true * events.sum() / true.sum()


def errors(rng, patients, effect, monkeypatch):
    """Return how far the overall rate, the model and the rule lie off, and whether it was used."""
    events, patient, surgeon, factors, true = a_unit(rng, patients, effect)
    unit = unit_clustering(events, patient, surgeon)
    overall = np.bincount(surgeon, minlength=SURGEONS) * events.mean()
    found = [overall]
    for chance in (-1.0, 0.5):  # always, and as it is
        monkeypatch.setattr(under_test, "CHANCE", chance)
        made = case_mix(events, patient, factors, unit)
        has_model = isinstance(made, CaseMix)
        found.append(np.bincount(surgeon, made.expected, SURGEONS) if has_model else overall)
    off = [float(np.sqrt(np.mean(np.log(each / true) ** 2))) for each in found]
    return [*off, float(has_model and made.is_used)]


@pytest.mark.parametrize("patients", [120, 330])
def test_the_rule_costs_little_where_there_is_an_effect_and_spares_noise_where_there_is_none(
    patients, monkeypatch
):
    for effect in (0.0, 0.4, 0.8, 1.2):
        rng = np.random.default_rng([patients, round(10 * effect)])
        rows = [errors(rng, patients, effect, monkeypatch) for _ in range(UNITS)]
        overall, always, rule, used = np.mean(rows, axis=0)
        print(f"{patients} patients, log odds {effect}: overall rate {overall:.3f}, always "
              f"{always:.3f}, rule {rule:.3f}, used in {100 * used:.0f} of 100")  # fmt: skip
        assert rule <= max(overall, 0.01) + 0.005
        assert rule <= always + 0.045
        if not effect:
            assert used <= 0.12
            assert rule < always
