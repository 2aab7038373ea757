"""Simulated years in which only some screws are read twice, by the unit's own rules.

True extents, and readers who are off by a little and now and then see no breach at all. Every
screw is given three readings; a full second reading uses them all, the unit's rule only some.
Figures are made up: they are strong enough that a missing correction shows.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from registry.domain.consensus import AgreementRule, ConsensusState, consensus
from registry.domain.directions import Direction
from registry.domain.readings import ReadingFacts, ReadingRole
from registry.domain.second_reading import SecondReadingRule, is_drawn, reason_for_second
from reports.statistics.clustered import unit_clustering
from reports.statistics.second_read import SecondReads, corrected_rate

EVENT_MM = 2
SHARE = Decimal("0.2")
_RULE = AgreementRule()
_ROLES = (ReadingRole.FIRST, ReadingRole.SECOND, ReadingRole.ADJUDICATION)
_PATIENTS, _SCREWS = 50, 6
_BREACHED, _MISSED = 0.15, 0.3


@dataclass(frozen=True)
class Years:
    """Rates of each year, and whether the corrected interval holds the full one."""

    full: np.ndarray
    corrected: np.ndarray
    uncorrected: np.ndarray
    covered: np.ndarray


def simulated_years(years: int, seed: int) -> Years:
    """Return what some years give, read in full and in part."""
    rng = np.random.default_rng(seed)
    rows = [_year(rng, f"{seed}-{year}") for year in range(years)]
    return Years(*(np.array(column) for column in zip(*rows, strict=True)))


def _year(rng: np.random.Generator, seed: str) -> tuple[float, float, float, bool]:
    patients = np.repeat(np.arange(_PATIENTS), _SCREWS)
    first, full, part, share, drawn = [], [], [], [], []
    proneness = rng.beta(0.6, 0.6 / _BREACHED - 0.6, _PATIENTS)
    for screw, patient in enumerate(patients):
        true_mm = rng.gamma(2.0, 1.3) if rng.random() < proneness[patient] else 0.0
        readings = [_reading(rng, number, true_mm) for number in range(3)]
        told = readings[0].extents_mm
        size = told[Direction.MEDIAL]
        in_draw = is_drawn(seed, screw, SHARE)
        reason = reason_for_second(
            told,
            is_near_cut_off=abs(size - EVENT_MM) < Decimal("0.4"),
            is_low_confidence=False,
            is_drawn=in_draw,
            rule=SecondReadingRule(share=SHARE),
        )
        is_certain = bool(reason) and reason != "drawn at random"
        first.append(size >= EVENT_MM)
        full.append(_settled(readings))
        part.append(full[-1] if reason else first[-1])
        share.append(1.0 if is_certain else float(SHARE))
        drawn.append(bool(reason) and not is_certain)
    final = np.array(full)
    reads = SecondReads(patients, np.array(first), final, np.array(share), np.array(drawn))
    unit = unit_clustering(np.array(part), patients, np.zeros_like(patients))
    found = corrected_rate(reads, unit)
    is_covered = found.interval.low <= final.mean() <= found.interval.high
    return float(final.mean()), found.rate, float(np.mean(part)), is_covered


def _reading(rng: np.random.Generator, number: int, true_mm: float) -> ReadingFacts:
    seen = true_mm + rng.normal(0, 0.4) if true_mm and rng.random() > _MISSED else 0.0
    size = Decimal(max(round(seen, 1), 0)).quantize(Decimal("0.1"))
    walls = dict.fromkeys(Direction, Decimal("0.0")) | {Direction.MEDIAL: size}
    return ReadingFacts(number, _ROLES[number], is_assessable=True, extents_mm=walls)


def _settled(readings: list[ReadingFacts]) -> bool:
    """Return whether a screw that is read in full is an event."""
    found = consensus(readings[:2], level="L4", second_is_owed=True, rule=_RULE)
    if found.state is ConsensusState.AWAITING_ADJUDICATION:
        found = consensus(readings, level="L4", second_is_owed=True, rule=_RULE)
    return found.extents_mm[Direction.MEDIAL] >= EVENT_MM
