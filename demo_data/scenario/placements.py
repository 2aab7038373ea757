"""Where each invented screw truly ended up: tenths of a millimetre beyond each wall.

Odds and sizes are invented; they were chosen so that the unit's rates come to lie among the
published ones, of which none is copied.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING

from registry.domain.techniques import EntryTechnique, Guidance, Intention

from . import people
from .constructs import pick
from .practices import PRACTICE_OF

if TYPE_CHECKING:
    from random import Random

    from .records import InventedCase, InventedScrew

WALLS = ("medial", "lateral", "cranial", "caudal")
BODY = ("anterior", "body_lateral", "endplate")
Truth = dict[str, int]
"""Tenths of a millimetre in every direction, 0 where the screw stays inside."""

_ANY_BREACH = {
    "C7": 0.19,
    **dict.fromkeys(("T1", "T2", "T3"), 0.16),
    **dict.fromkeys(("T4", "T5", "T6", "T7"), 0.22),
    **dict.fromkeys(("T8", "T9"), 0.18),
    "T10": 0.15,
    **dict.fromkeys(("T11", "T12"), 0.12),
    **dict.fromkeys(("L1", "L2", "L3"), 0.10),
    "L4": 0.11,
    "L5": 0.13,
    "S1": 0.12,
}
_GUIDANCE_ODDS = {
    Guidance.FREEHAND: 1.1,
    Guidance.FLUOROSCOPY: 1.15,
    Guidance.NAVIGATION: 0.4,
    Guidance.ROBOT_ASSISTED: 0.45,
    Guidance.PATIENT_SPECIFIC_GUIDE: 0.4,
}
_TECHNIQUE_ODDS = {
    EntryTechnique.ISTHMUS: 1.15,
    EntryTechnique.TRANSVERSE_PROCESS: 1.25,
    EntryTechnique.CORTICAL_BONE_TRAJECTORY: 1.1,
    EntryTechnique.OTHER: 1.2,
}
_WALL_WEIGHTS: dict[str, dict[str, float]] = {
    "C": {"lateral": 74, "medial": 16, "caudal": 5, "cranial": 5},
    "T": {"lateral": 59, "medial": 25, "caudal": 10, "cranial": 6},
    "L": {"lateral": 42, "medial": 35, "caudal": 14, "cranial": 9},
    "S": {"medial": 40, "caudal": 30, "lateral": 26, "cranial": 4},
}
_ISTHMUS_WEIGHTS: dict[str, float] = {"lateral": 22, "medial": 56, "caudal": 14, "cranial": 8}
_BESIDE = {
    "medial": ("cranial", "caudal"),
    "lateral": ("cranial", "caudal"),
    "cranial": ("medial", "lateral"),
    "caudal": ("medial", "lateral"),
}
_TRAINEE_ODDS = 1.5
_CONCAVE_ODDS = 1.7
_OSTEOPOROSIS_ODDS = 1.15
# Share of the variance, on the scale of the latent normal, that the screws of a patient share.
_PATIENT_SHARE = 0.36
# Weibull sizes: about 45 in 100 breaches reach 2 mm, about 15 reach 4 mm.
_SIZE_MM, _SHAPE, _LARGEST_MM = 2.39, 1.25, 9.5
_DIAGONAL_SHARE = 0.2
_NORMAL = NormalDist()


def draw_truth(rng: Random, case: InventedCase, screw: InventedScrew) -> Truth:
    """Return where a screw ended up; every draw is made whatever comes of it."""
    own, wall, beside = (rng.random() for _ in range(3))
    truth = dict.fromkeys((*WALLS, *BODY), 0)
    chance = _chance(case, screw)
    latent = math.sqrt(_PATIENT_SHARE) * case.patient.frailty + math.sqrt(
        1 - _PATIENT_SHARE
    ) * _NORMAL.inv_cdf(min(max(own, 1e-9), 1 - 1e-9))
    beyond = (1 - _NORMAL.cdf(latent)) / chance
    if beyond < 1:
        # The size comes from the same latent value, so that patients share large breaches too.
        extent = _SIZE_MM * (-math.log(max(beyond, 1e-9))) ** (1 / _SHAPE)
        _breach(truth, screw, min(extent, _LARGEST_MM), (wall, beside))
    if screw.intention is Intention.IN_OUT_IN and rng.random() < 0.8:  # noqa: PLR2004
        truth["lateral"] = max(truth["lateral"], rng.randint(8, 38))
    _leave_the_body(rng, screw, truth)
    return truth


def _chance(case: InventedCase, screw: InventedScrew) -> float:
    """Return the chance of any breach of the pedicle."""
    chance = _ANY_BREACH[screw.level]
    odds = chance / (1 - chance)
    odds *= _GUIDANCE_ODDS[screw.guidance] * _TECHNIQUE_ODDS.get(screw.technique, 1.0)
    odds *= PRACTICE_OF[case.surgeon].skill
    odds *= _TRAINEE_ODDS if screw.operator in people.TRAINEES else 1.0
    odds *= _CONCAVE_ODDS if screw.is_concave else 1.0
    odds *= _OSTEOPOROSIS_ODDS if case.bone_quality == "osteoporosis" else 1.0
    return odds / (1 + odds)


def _breach(truth: Truth, screw: InventedScrew, extent: float, drawn: tuple[float, float]) -> None:
    where, beside = drawn
    weights = _WALL_WEIGHTS[screw.level[0]]
    if screw.technique is EntryTechnique.ISTHMUS:
        weights = _ISTHMUS_WEIGHTS
    total, wall = where * sum(weights.values()), ""
    for wall, weight in weights.items():  # noqa: B007 - the last one stands where none was reached
        total -= weight
        if total <= 0:
            break
    truth[wall] = _tenths(extent)
    if beside < _DIAGONAL_SHARE:
        share = 0.25 + 2 * beside
        truth[_BESIDE[wall][int(beside * 1000) % 2]] = _tenths(extent * share)


def _leave_the_body(rng: Random, screw: InventedScrew, truth: Truth) -> None:
    """Give a few screws a tip beyond the body's front, side or endplate."""
    is_intended = screw.intention is Intention.BICORTICAL
    if rng.random() < (0.7 if is_intended else 0.025):
        truth["anterior"] = rng.randint(5, 40)
    elif rng.random() < 0.02:  # noqa: PLR2004
        other = pick(rng, {"body_lateral": 2, "endplate": 1})
        truth[other] = rng.randint(4, 25)


def _tenths(extent_mm: float) -> int:
    """Return whole tenths; what no CT shows is nothing."""
    tenths = round(extent_mm * 10)
    return tenths if tenths >= 3 else 0  # noqa: PLR2004 - 0.3 mm
