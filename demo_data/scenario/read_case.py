"""The case whose drawn CT has been read at the desk: its screws, its files, a reader's marks.

It takes the place of an invented case of the same levels. Marks are the true cortex with a hand's
error, so that what is measured on them is near the truth without being it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.techniques import EntryTechnique, Guidance

from . import people
from .ct.placement import PLANS, place_all
from .ct.study import PatientIdentity, draw_axial, line_of
from .ct.truth import pedicle_sections
from .ct.vertebra import build_vertebrae
from .records import LAST_QUARTER, Imaging

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from .ct.levels import Vector
    from .ct.truth import ScrewLine, Section
    from .records import InventedCase, InventedReading

LEVELS = ("T12", "L1", "L2")
SPACING_MM = (0.6, 1.5)
"""Coarser than the CT that waits to be read: it is drawn in a fifth of the time."""
_SCANNED_AFTER = timedelta(days=3)
_BEFORE = timedelta(days=20)
"""Scan and readings are of the same quarter as the operation."""
_MARKS, _ERROR_MM = 12, 0.2
_FORWARDS_MM = 30.0


@dataclass(frozen=True)
class MarkedScrew:
    """A screw as its reader sets and marks it, LPS millimetres.

    Attributes
    ----------
    level, side : which
    entry_mm, tip_mm : its ends
    midplane_mm : two points of the vertebra's, front and back
    cortex_mm : of each of two readers, depth from the entry to places (n, 3) of the pedicle's
        outer cortex
    """

    level: str
    side: str
    entry_mm: Vector
    tip_mm: Vector
    midplane_mm: tuple[Vector, Vector]
    cortex_mm: tuple[dict[float, Vector], dict[float, Vector]]


def with_read_case(
    cases: Iterable[InventedCase], readings: Iterable[InventedReading]
) -> tuple[tuple[InventedCase, ...], tuple[InventedReading, ...]]:
    """Return cases and readings with one case read at the desk instead of from the table."""
    listed = list(cases)
    # The latest whose quarter is settled, so that its surgeon's own results hold it.
    at = max(number for number, case in enumerate(listed) if _fits(case))
    before = listed[at]
    plans = {(plan.level, plan.side): plan for plan in PLANS}
    screws = tuple(
        replace(
            screw,
            technique=EntryTechnique(plans[screw.level, screw.side].entry_technique),
            guidance=Guidance(plans[screw.level, screw.side].guidance),
            diameter_mm=plans[screw.level, screw.side].diameter_mm,
            length_mm=plans[screw.level, screw.side].length_mm,
            technique_words="",
            intention=None,
        )
        for screw in before.screws
    )
    listed[at] = replace(before, imaging=Imaging.DRAWN_AND_READ, screws=screws)
    return tuple(listed), tuple(each for each in readings if each.case is not before)


def _fits(case: InventedCase) -> bool:
    places = {(screw.level, screw.side) for screw in case.screws}
    return (
        case.operated_on < LAST_QUARTER - _BEFORE
        and people.FELLOW not in case.team
        # The drawing's screws were entered in the open.
        and case.surgeon != people.PERCUTANEOUS_SURGEON
        and case.imaging is Imaging.ROUTINE
        and len(case.screws) == len(places)
        and places == {(level, side) for level in LEVELS for side in "LR"}
    )


def scanned_on(case: InventedCase) -> date:
    """Return the day of its CT."""
    return case.operated_on + _SCANNED_AFTER


def at_hour(day: date, days_later: int, hour: int) -> datetime:
    """Return an instant some days after a day."""
    return datetime.combine(day + timedelta(days=days_later), time(hour), UTC)


def draw_read_ct(folder: Path, seed: int, case: InventedCase) -> None:
    """Draw its CT into a folder."""
    identity = replace(
        PatientIdentity(), patient_id=case.patient.reference, birth_date=case.patient.birth_date
    )
    draw_axial(
        folder,
        seed=seed,
        identity=identity,
        days=(case.operated_on, scanned_on(case)),
        spacing_mm=SPACING_MM,
        levels=LEVELS,
    )


def _marked(section: Section, line: ScrewLine, hand: np.random.Generator) -> Vector:
    """Return places of a section's cortex all round, each with a hand's error."""
    points = section.contour.reshape(-1, 2)
    middle = points.mean(axis=0)
    away = points - middle
    bearings = np.arctan2(away[:, 1], away[:, 0])
    wanted = np.linspace(-np.pi, np.pi, _MARKS, endpoint=False)
    apart = np.abs((bearings[None] - wanted[:, None] + np.pi) % (2 * np.pi) - np.pi)
    marks = points[apart.argmin(axis=1)] + hand.normal(0.0, _ERROR_MM, (_MARKS, 2))
    origin = line.entry + section.depth_mm * line.forward
    return np.asarray(origin + marks @ np.stack(line.section_axes()))


def _by_hand(
    sections: Iterable[Section], line: ScrewLine, hand: np.random.Generator
) -> dict[float, Vector]:
    return {round(each.depth_mm, 3): _marked(each, line, hand) for each in sections}


def marked_screws(seed: int) -> Iterator[MarkedScrew]:
    """Yield each screw with three marked sections: the narrowest, one before and one behind."""
    vertebrae = build_vertebrae()
    hand = np.random.default_rng(seed)
    for screw in place_all(vertebrae):
        plan = screw.plan
        if plan.level not in LEVELS:
            continue
        bone = vertebrae[plan.level]
        line = line_of(screw, bone)
        sections = pedicle_sections(bone.outer_distance, line, bone.pedicle_axis(plan.side))
        narrowest = min(range(len(sections)), key=lambda at: sections[at].area_mm2)
        chosen = {max(0, narrowest - 6), narrowest, min(len(sections) - 1, narrowest + 6)}
        read = [sections[at] for at in sorted(chosen)]
        frame = bone.frame
        forwards = np.cross((0.0, 0.0, 1.0), frame.axes[:, 0])
        forwards = forwards if forwards[1] < 0 else -forwards
        reach = _FORWARDS_MM * forwards / np.linalg.norm(forwards)
        yield MarkedScrew(
            plan.level,
            plan.side,
            screw.entry,
            screw.tip,
            (frame.origin + reach, frame.origin - reach),
            (_by_hand(read, line, hand), _by_hand(read, line, hand)),
        )
