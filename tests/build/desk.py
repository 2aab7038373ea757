"""A ledger with screws to be read on drawn images, and marks whose answer is known.

Each image holds two screws of 6.5 mm that point straight ahead, 15 mm to either side of the middle,
shank from y = 10 to y = -30; a dark block in the middle stands where the canal would be.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from registry.actions.desk_marks import Bone, Marks
from registry.actions.desk_screw import OpenedScrew, Placing
from registry.domain.directions import Side
from registry.domain.levels import level
from registry.domain.readings import ReadingRole
from registry.measure.axes import ScrewAxis
from registry.store.images import Image
from registry.store.models.readings import Assignment
from registry.store.models.scans import HeldImage, Scan
from registry.store.queries.people import all_person_names
from tests.build.ledgers import (
    NOW,
    SURGEONS,
    a_case,
    a_ledger,
    a_scan,
    a_screw,
    local_operator,
)
from tests.build.made_once import copied

if TYPE_CHECKING:
    from pathlib import Path

    from registry.store.home import Ledger

RADIUS_MM = 3.25
LENGTH_MM = 40.0
FROM_MIDDLE_MM = 15.0
OUTER_MM = 5.0
"""Radius of the round pedicle that `ring` marks."""
THICK = "thick slices: 3.00 mm, above 2 mm; small breaches can hide"
"""What is noted of the second case's image; of the first's nothing is."""
METAL_HU, CANAL_HU, TISSUE_HU = 3000, -500, 40
L4_LEFT, L4_RIGHT, S1_LEFT, L3_LEFT = 1, 2, 3, 4
"""Assignments: three on the first case's scan, one on the second's."""


@copied
def a_desk_ledger(home: Path) -> Ledger:
    """Return a ledger with two cases of two surgeons and their screws to be read."""
    ledger = a_ledger(home)
    fill_desk(ledger)
    return ledger


def fill_desk(ledger: Ledger) -> None:
    """Add the two cases with their images and screws to a ledger that has its accounts."""
    digests = [_sealed(ledger, shade) for shade in (0, 1)]
    with ledger.reading() as session:
        people = {name: number for number, name in all_person_names(session).items()}
    with ledger.writing(local_operator(ledger), NOW) as work:
        for number, screws in enumerate((("L4L", "L4R", "S1L"), ("L3L",))):
            case = a_case(work, ledger, number, people[SURGEONS[number]], date(2026, 2, 3 + number))
            image = work.insert(HeldImage, "keep", digest=digests[number], added_at=NOW)
            scan = a_scan(work, case, date(2026, 2, 6), image)
            for name in screws:
                screw = a_screw(work, case, name[:2], name[2], number)
                work.insert(
                    Assignment,
                    "ask for a reading",
                    screw_id=screw,
                    scan_id=scan,
                    role=ReadingRole.FIRST,
                    reason="on the audit scan",
                    made_at=NOW,
                )


def matched_by(ledger: Ledger, account_id: int) -> None:
    """Say of every scan that this account matched it."""
    with ledger.writing(local_operator(ledger), NOW) as work:
        for scan in (1, 2):
            work.update(Scan, "match a scan", scan, matched_by_id=account_id)


def voxels_and_affine(shade: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Return int16 [k, j, i] and its affine, (i, j, k) to LPS mm."""
    affine = np.array([[0.5, 0, 0, -30], [0, 0.5, 0, -50], [0, 0, 1, -20], [0, 0, 0, 1.0]])
    k, j, i = np.indices((41, 161, 121))
    x, y, z = 0.5 * i - 30, 0.5 * j - 50, 1.0 * k - 20
    voxels = np.full(x.shape, TISSUE_HU + shade, dtype=np.int16)
    voxels[(np.abs(x) < 6) & (y > -10) & (y < 4)] = CANAL_HU
    for middle in (-FROM_MIDDLE_MM, FROM_MIDDLE_MM):
        away = np.hypot(x - middle, z)
        voxels[(away <= RADIUS_MM) & (y >= -30) & (y <= 10)] = METAL_HU
        voxels[(away <= 6) & (y > 10) & (y <= 20)] = METAL_HU
    return voxels, affine


def _sealed(ledger: Ledger, shade: int) -> str:
    voxels, affine = voxels_and_affine(shade)
    with ledger.images.writer() as writer:
        writer.begin(voxels.shape, "int16")
        for index, plane in enumerate(voxels):
            writer.write(index, plane)
        return writer.seal(affine, {"warnings": [THICK]} if shade else {})


def an_opened_screw(
    code: str = "L4", side: Side = Side.LEFT, diameter_mm: float | None = 2 * RADIUS_MM
) -> OpenedScrew:
    """Return a screw on a small image; measuring needs no more of it than its affine."""
    affine = np.diag([0.4, 0.4, 0.8, 1.0])
    image = Image("", np.zeros((2, 2, 2), dtype=np.int16), affine, {})
    return OpenedScrew(level(code), side, diameter_mm, image)


def placed(side: Side = Side.LEFT) -> Placing:
    """Return where the drawn screw of a side lies."""
    x = FROM_MIDDLE_MM if side is Side.LEFT else -FROM_MIDDLE_MM
    return Placing(ScrewAxis((x, 10.0, 0.0), (x, 10.0 - LENGTH_MM, 0.0)))


def ring(u: float, v: float = 0.0, radius: float = OUTER_MM) -> tuple[tuple[float, float], ...]:
    """Return twelve marks of a round cortex about (u, v).

    The screw's edge stands outside by its radius + the middle's distance - the cortex's radius.
    """
    angles = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    return tuple(
        (round(float(u + radius * np.cos(a)), 4), round(float(v + radius * np.sin(a)), 4))
        for a in angles
    )


def ring_marks(u: float, v: float = 0.0, **more: object) -> Marks:
    """Return outlines on three sections about (u, v), the middle one a little narrower."""
    bones = {Bone.OUTLINE: {8.0: ring(u, v, 5.2), 10.0: ring(u, v), 12.0: ring(u, v, 5.2)}}
    return Marks(placed(), bones, **more)
