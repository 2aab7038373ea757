"""Drawn scans of a few voxels with a truth of our own, and readings of them. Invented."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
from sqlalchemy import select

from registry.actions.drawn_scans import Drawing, TrueScrew, give_copy, keep_drawing
from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.store.apart import WITH_DRAWN
from registry.store.models.drawn import DrawnCase
from registry.store.models.readings import Assignment, Reading
from registry.store.queries.drawn_scans import kept_drawings

if TYPE_CHECKING:
    from registry.domain.known_truth import Purpose
    from registry.store.home import Ledger
    from registry.store.writing import Writing

CONTAINED: dict[str, float] = {}
MEDIAL = {"medial": 3.4}
SLIGHT = {"lateral": 0.7}


def a_drawing(seed: int, *screws: dict[str, float]) -> Drawing:
    """Return a scan of a few voxels; each screw is contained but for the extents given."""
    places = [(level, side) for level in ("L3", "L4", "L5") for side in "LR"]
    made = [
        TrueScrew(
            level,
            side,
            1,
            6.5,
            45.0,
            (1.0, 2.0, float(seed)),
            (1.0, -40.0, float(seed)),
            dict.fromkeys(Direction, 0.0) | {Direction(wall): mm for wall, mm in out.items()},
        )
        for (level, side), out in zip(places, screws, strict=False)
    ]
    voxels = np.full((2, 3, 4), seed, dtype=np.int16)
    return Drawing(voxels, np.eye(4), 1.0, made, seed, "test")


def put_drawing(
    ledger: Ledger, work: Writing, purpose: Purpose, seed: int, *screws: dict[str, float]
) -> int:
    """Keep such a scan inside a transaction; return its number."""
    return keep_drawing(ledger, work, a_drawing(seed, *screws), purpose)


def put_copy(ledger: Ledger, work: Writing, drawn_scan_id: int, reader_id: int) -> list[int]:
    """Give a reader a copy inside a transaction; return the assignments, in the screws' order."""
    drawing = next(
        each for each in kept_drawings(work.session) if each.drawn_scan_id == drawn_scan_id
    )
    give_copy(work, ledger.settings, drawing, reader_id)
    query = (
        select(Assignment.id)
        .join(DrawnCase, DrawnCase.scan_id == Assignment.scan_id)
        .where(DrawnCase.drawn_scan_id == drawn_scan_id, DrawnCase.reader_id == reader_id)
        .order_by(Assignment.id)
        .execution_options(**WITH_DRAWN)
    )
    return list(work.session.execute(query).scalars())


def put_drawn_reading(work: Writing, assignment_id: int, account_id: int, **extents: str) -> int:
    """Read a drawn screw: contained but for the walls given; return the reading."""
    work.flush_rows()
    asked = work.session.execute(
        select(Assignment).where(Assignment.id == assignment_id).execution_options(**WITH_DRAWN)
    ).scalar_one()
    walls = {f"{wall}_mm": Decimal(extents.get(wall.value, "0.0")) for wall in PEDICLE_WALLS}
    return work.insert(
        Reading,
        "read a screw",
        screw_id=asked.screw_id,
        scan_id=asked.scan_id,
        reader_id=asked.reader_id,
        recorded_by_id=account_id,
        assignment_id=assignment_id,
        role="first",
        read_on=work.now.date(),
        recorded_at=work.now,
        is_assessable=True,
        method="by eye",
        seconds_spent=60,
        is_blind=True,
        **walls,
    )
