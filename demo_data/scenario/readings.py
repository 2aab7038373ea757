"""What the invented readers made of each screw: scans, first and second readings, decisions."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from random import Random
from typing import TYPE_CHECKING

from registry.domain.consensus import AgreementRule, agree
from registry.domain.directions import Direction
from registry.domain.readings import Method, NotAssessableReason, ReadingFacts, ReadingRole
from registry.domain.scans import ScanKind, ScanReason
from registry.domain.techniques import COUNTED_LIVES

from . import people
from .angles import measured_angles
from .constructs import PELVIC
from .placements import BODY, WALLS, Truth, draw_truth
from .records import LAST_QUARTER, LAST_READING_DAY, Extents, Imaging, InventedReading

if TYPE_CHECKING:
    from collections.abc import Iterable

    from .records import InventedCase, InventedScrew

_BIAS_TENTHS = {
    people.REGISTRAR: 0.0,
    people.FELLOW: 1.5,
    people.RADIOLOGIST: -1.0,
    people.ADJUDICATOR: 0.0,
}
_ERROR_TENTHS = 5.0
_FALSE_BREACH, _WRONG_WALL, _UNREADABLE, _WALL_NOT_SEEN = 0.015, 0.03, 0.012, 0.02
_CASE_PARTLY_READ, _LEFT_UNREAD = 0.05, 0.35
_SECOND_AT_RANDOM, _SECOND_FROM_2_MM = 0.12, 0.6
_DECIDED = 0.7
_RULE = AgreementRule()


@dataclass(frozen=True)
class _Scan:
    scanned_on: date
    kind: ScanKind
    reason: ScanReason


def invent_readings(seed: int, cases: Iterable[InventedCase]) -> tuple[InventedReading, ...]:
    """Return every reading of the unit, case by case."""
    rng = Random(f"{seed} readings")
    return tuple(reading for case in cases for reading in _read_case(rng, case))


def _read_case(rng: Random, case: InventedCase) -> Iterable[InventedReading]:
    truths = {
        screw: draw_truth(rng, case, screw)
        for screw in case.screws
        if screw.life in COUNTED_LIVES and screw.level != PELVIC
    }
    for scan in _scans(rng, case):
        free = [reader for reader in people.READERS if reader not in case.team]
        first, second = rng.sample(free, 2)
        read_on = _later(rng, scan.scanned_on, 1, 16)
        is_whole = rng.random() >= _CASE_PARTLY_READ
        for screw, truth in truths.items():
            if is_whole or rng.random() >= _LEFT_UNREAD:
                one = _read(rng, truth, _blank(case, screw, first, read_on, scan))
                yield one
                yield from _read_again(rng, truth, one, second)


def _scans(rng: Random, case: InventedCase) -> Iterable[_Scan]:
    kinds = {
        Imaging.NONE: (),
        Imaging.DRAWN: (),
        Imaging.DRAWN_AND_READ: (),
        Imaging.ROUTINE: ((1, 6, ScanKind.POST_OPERATIVE_CT, ScanReason.ROUTINE),),
        Imaging.ROUTINE_THEN_SYMPTOMS: (
            (1, 6, ScanKind.POST_OPERATIVE_CT, ScanReason.ROUTINE),
            (12, 80, ScanKind.POST_OPERATIVE_CT, ScanReason.SYMPTOMS),
        ),
        Imaging.SYMPTOMS_ONLY: ((4, 60, ScanKind.POST_OPERATIVE_CT, ScanReason.SYMPTOMS),),
        Imaging.INTRA_OPERATIVE_ONLY: ((0, 0, ScanKind.INTRA_OPERATIVE_3D, ScanReason.ROUTINE),),
        Imaging.LATE_ONLY: ((40, 75, ScanKind.LATER_CT, ScanReason.OTHER),),
    }[case.imaging]
    for soonest, latest, kind, reason in kinds:
        yield _Scan(_later(rng, case.operated_on, soonest, latest), kind, reason)


def _later(rng: Random, day: date, soonest: int, latest: int) -> date:
    return min(day + timedelta(days=rng.randint(soonest, latest)), LAST_READING_DAY)


def _blank(
    case: InventedCase, screw: InventedScrew, reader: str, read_on: date, scan: _Scan
) -> InventedReading:
    return InventedReading(
        case=case,
        screw=screw,
        reader=reader,
        read_on=read_on,
        scan_on=scan.scanned_on,
        scan_kind=scan.kind,
        scan_reason=scan.reason,
        role=ReadingRole.FIRST,
        extents={},
    )


def _read_again(
    rng: Random, truth: Truth, first: InventedReading, reader: str
) -> Iterable[InventedReading]:
    """Yield a second reading of some screws, and a decision where the two differ."""
    is_drawn = rng.random() < _SECOND_AT_RANDOM
    is_large = _greatest(first.extents) >= 20 and rng.random() < _SECOND_FROM_2_MM  # noqa: PLR2004
    if not (is_drawn or is_large):
        return
    later = replace(
        first, role=ReadingRole.SECOND, reader=reader, read_on=_later(rng, first.read_on, 1, 12)
    )
    second = _read(rng, truth, later)
    yield second
    do_agree = agree(_facts(first), _facts(second), level=first.screw.level, rule=_RULE)
    if do_agree:
        return
    is_decided = rng.random() < _DECIDED
    if not is_decided and first.case.operated_on >= LAST_QUARTER:
        # That quarter is on its way to its seal: nothing of it is left to be decided. Drawn apart,
        # so that it leaves every other reading as it is.
        place = (first.case.reference, first.screw.level, first.screw.side)
        rng, is_decided = Random(f"decided {place}"), True
    if is_decided:
        decided = replace(
            first,
            role=ReadingRole.ADJUDICATION,
            reader=people.ADJUDICATOR,
            read_on=_later(rng, second.read_on, 2, 20),
        )
        yield _read(rng, truth, decided)


def _read(rng: Random, truth: Truth, blank: InventedReading) -> InventedReading:
    """Return what one reader finds: the truth with an error, now and then nothing at all."""
    is_steel = blank.screw.alloy == "stainless steel"
    if rng.random() < (5 * _UNREADABLE if is_steel else _UNREADABLE):
        reason = rng.choice((NotAssessableReason.ARTEFACT, NotAssessableReason.NOT_COVERED))
        return replace(
            blank,
            not_assessable=reason,
            extents={},
            method=Method.TYPED,
            uncertainty_tenths=None,
            convergence_tenths=None,
            sagittal_tenths=None,
        )
    extents = _measured(rng, truth, blank.reader)
    _leave_walls_out(rng, blank, extents)
    is_contained = _greatest(extents) == 0
    methods = (Method.BY_EYE,) if is_contained else (Method.CALLIPER, Method.CONTOUR, Method.TYPED)
    method = rng.choice((*methods, Method.TYPED))
    has_error = method in {Method.CALLIPER, Method.CONTOUR}
    read = replace(
        blank,
        not_assessable=None,
        extents=extents,
        method=method,
        uncertainty_tenths=rng.randint(4, 8) if has_error else None,
    )
    convergence, sagittal = measured_angles(truth, read)
    return replace(read, convergence_tenths=convergence, sagittal_tenths=sagittal)


def _measured(rng: Random, truth: Truth, reader: str) -> Extents:
    found: Extents = {}
    for wall in (*WALLS, *BODY):
        error = rng.gauss(_BIAS_TENTHS[reader], _ERROR_TENTHS)
        tenths = round(truth[wall] + error) if truth[wall] else 0
        found[wall] = tenths if tenths >= 3 else 0  # noqa: PLR2004 - 0.3 mm, below what CT shows
    false_breach, wrong_wall = rng.random(), rng.random()
    wall, other = rng.sample(WALLS, 2)
    if false_breach < _FALSE_BREACH and not any(found[wall] for wall in WALLS):
        found[wall] = rng.randint(3, 12)
    elif wrong_wall < _WRONG_WALL:
        found[wall], found[other] = found[other], found[wall]
    return found


def _leave_walls_out(rng: Random, blank: InventedReading, extents: Extents) -> None:
    """Empty the walls that this reader did not measure."""
    if blank.screw.level == "S1":
        # The ala closes no ring; its outer walls are mostly not measured.
        if rng.random() < 0.7:  # noqa: PLR2004
            extents["lateral"] = extents["cranial"] = None
        return
    if rng.random() < _WALL_NOT_SEEN:
        extents[rng.choice(("cranial", "caudal"))] = None


def _greatest(extents: Extents) -> int:
    return max((extents.get(wall) or 0 for wall in WALLS), default=0)


def _facts(reading: InventedReading) -> ReadingFacts:
    extents = {
        Direction(wall): None if tenths is None else Decimal(tenths) / 10
        for wall, tenths in reading.extents.items()
    }
    return ReadingFacts(
        reading_id=0,
        role=reading.role,
        is_assessable=reading.not_assessable is None,
        extents_mm=extents,
    )
