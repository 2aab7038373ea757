"""Keep drawn scans with their truth, and give a reader a copy of one to read.

A copy is an ordinary case whose screws are made out to its one reader, so that it is read, saved
and looked back on like any other; `registry/store/apart.py` keeps it out of everything else.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from datetime import timedelta
from decimal import ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING, Any

from registry.domain.directions import Direction
from registry.domain.known_truth import Purpose, is_asked, seen_truth
from registry.domain.readings import ReadingRole
from registry.domain.scans import ScanKind, ScanReason
from registry.domain.techniques import TECHNIQUES, Guidance, Life, exists_at
from registry.store.models.cases import Case, Screw
from registry.store.models.drawn import DrawnCase, DrawnScan, DrawnScrew
from registry.store.models.patients import Patient
from registry.store.models.people import Person
from registry.store.models.proposals import ProposalRow
from registry.store.models.readings import Assignment
from registry.store.models.scans import HeldImage, Scan
from registry.store.queries import drawn_scans as queries

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from registry.domain.settings import Settings
    from registry.store.home import Ledger
    from registry.store.queries.drawn_scans import KeptDrawing
    from registry.store.writing import Writing

GIVE = "give a drawn scan to read"
_TENTH = Decimal("0.1")
_SCANNED_AFTER, _GIVEN_AFTER = timedelta(days=3), timedelta(days=10)


@dataclass(frozen=True)
class TrueScrew:
    """A drawn screw and its truth; points LPS, millimetres; a wall without a truth is None."""

    level: str
    side: str
    number: int
    diameter_mm: float
    length_mm: float
    entry_mm: tuple[float, float, float]
    tip_mm: tuple[float, float, float]
    extents_mm: Mapping[Direction, float | None]


@dataclass(frozen=True)
class Drawing:
    """A drawn scan.

    Attributes
    ----------
    voxels : Hounsfield units [k, j, i]
    affine : 4 x 4, voxel index (i, j, k, 1) to LPS, mm
    slice_mm : distance of the slices
    screws : those that the log has and the scan shows
    seed, version : draw it again
    """

    voxels: NDArray[np.int16] = field(repr=False)
    affine: NDArray[np.float64]
    slice_mm: float
    screws: Sequence[TrueScrew]
    seed: int
    version: str


def keep_drawing(ledger: Ledger, work: Writing, drawing: Drawing, purpose: Purpose) -> int:
    """Keep a drawn scan with its truth; return its number. Nobody has a copy of it yet."""
    with ledger.images.writer() as image:
        image.begin(drawing.voxels.shape, "int16")
        for number, plane in enumerate(drawing.voxels):
            image.write(number, plane)
        # The words that any scan has, so that its pictures are sent like any other's.
        digest = image.seal(
            drawing.affine, {"slice_step_mm": round(drawing.slice_mm, 4), "warnings": []}
        )
    image_id = work.insert(HeldImage, "keep a drawn scan", digest=digest, added_at=work.now)
    drawn_id = work.insert(
        DrawnScan,
        "keep a drawn scan",
        image_id=image_id,
        purpose=purpose.value,
        seed=drawing.seed,
        drawing=drawing.version,
        drawn_at=work.now,
    )
    for screw in drawing.screws:
        walls: dict[str, Any] = {
            f"{wall}_mm": _tenths(screw.extents_mm.get(wall)) for wall in Direction
        }
        work.insert(
            DrawnScrew,
            "keep a drawn scan",
            drawn_scan_id=drawn_id,
            level=screw.level,
            side=screw.side,
            number=screw.number,
            diameter_mm=_tenths(screw.diameter_mm),
            length_mm=_tenths(screw.length_mm),
            entry=_point(screw.entry_mm),
            tip=_point(screw.tip_mm),
            **walls,
        )
    work.flush_rows()
    return drawn_id


def _tenths(value: float | None) -> Decimal | None:
    return None if value is None else Decimal(str(value)).quantize(_TENTH, ROUND_HALF_UP)


def _point(place: tuple[float, float, float]) -> str:
    return " ".join(f"{value:.2f}" for value in place)


def give_copy(work: Writing, settings: Settings, drawing: KeptDrawing, reader_id: int) -> int:
    """Give a reader a copy of a drawn scan; return how many of its screws they are to read.

    It was entered and matched by nobody who reads, so that it is read blind.
    """
    session = work.session
    entered_by = queries.shell_account(session)
    surgeon_id = queries.surgeon_of_drawn(session) or work.insert(
        Person, GIVE, name="nobody: drawn screws"
    )
    hidden = secrets.token_hex(16)
    patient_id = work.insert(
        Patient, GIVE, pseudonym=f"P{hidden[:12]}", reference_hash=secrets.token_hex(32)
    )
    scanned_on = (work.now - _GIVEN_AFTER + _SCANNED_AFTER).date()
    case_id = work.insert(
        Case,
        GIVE,
        reference=f"drawn-{hidden}",
        patient_id=patient_id,
        operated_on=(work.now - _GIVEN_AFTER).date(),
        surgeon_id=surgeon_id,
        entered_by_id=entered_by,
    )
    scan_id = work.insert(
        Scan,
        GIVE,
        case_id=case_id,
        scanned_on=scanned_on,
        kind=ScanKind.POST_OPERATIVE_CT.value,
        reason=ScanReason.ROUTINE.value,
        image_id=drawing.image_id,
        is_adequate=True,
        warnings="[]",
        matched_by_id=entered_by,
    )
    work.insert(
        DrawnCase,
        GIVE,
        drawn_scan_id=drawing.drawn_scan_id,
        reader_id=reader_id,
        case_id=case_id,
        scan_id=scan_id,
        patient_id=patient_id,
        surgeon_id=surgeon_id,
    )
    screws = [(each, _insert_screw(work, case_id, each)) for each in drawing.screws]
    wanted = asked_screws(drawing, settings)
    for each, screw_id in screws:
        if each in wanted:
            work.insert(
                Assignment,
                GIVE,
                screw_id=screw_id,
                scan_id=scan_id,
                role=ReadingRole.FIRST.value,
                reader_id=reader_id,
                reason="on the audit scan",
                made_at=work.now,
            )
    work.flush_rows()
    _copy_proposal(work, drawing, scan_id)
    return len(wanted)


def asked_screws(drawing: KeptDrawing, settings: Settings) -> list[queries.KeptScrew]:
    """Return the screws of a drawn scan that whoever is given a copy is to read."""
    floor, policy = settings.floor_mm, settings.policy()
    truths = [seen_truth(each.truth_mm, floor) for each in drawing.screws]
    levels = [each.level for each in drawing.screws]
    if drawing.purpose is Purpose.MIXED and any(policy.met(truth) for truth in truths):
        # A reader would ring somebody about a patient that there is not.
        return []
    asked = is_asked(drawing.purpose, levels, truths)
    return [each for each, is_wanted in zip(drawing.screws, asked, strict=True) if is_wanted]


def _insert_screw(work: Writing, case_id: int, screw: queries.KeptScrew) -> int:
    technique = next(each for each in TECHNIQUES if exists_at(each, screw.level))
    return work.insert(
        Screw,
        GIVE,
        case_id=case_id,
        level=screw.level,
        side=screw.side,
        number=screw.number,
        entry_technique=technique.value,
        guidance=Guidance.FREEHAND.value,
        diameter_mm=screw.diameter_mm,
        length_mm=screw.length_mm,
        life=Life.PLACED.value,
    )


def _copy_proposal(work: Writing, drawing: KeptDrawing, scan_id: int) -> None:
    """Give the copy the proposal that was worked out for another's, where there is one."""
    known: dict[str, Any] | None = queries.proposal_of_drawing(work.session, drawing)
    if known is not None:
        work.insert(ProposalRow, GIVE, scan_id=scan_id, made_at=work.now, **known)
