"""Readings put into a ledger as the desk would, with what follows from them."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from registry.actions.settle import settle
from registry.domain.directions import PEDICLE_WALLS
from registry.store.models.readings import Reading

if TYPE_CHECKING:
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.writing import Writing


def read_screw(
    ledger: Ledger,
    viewer: Viewer,
    screw_id: int,
    scan_id: int,
    now: datetime,
    *,
    role: str = "first",
    **extents: str,
) -> int:
    """Read a screw: contained but for the walls given, such as medial="2.4"; return the reading."""
    with ledger.writing(viewer, now) as work:
        reading_id = put_reading(work, viewer, screw_id, scan_id, role=role, **extents)
        settle(work, ledger.settings, [screw_id])
    return reading_id


def put_reading(
    work: Writing, viewer: Viewer, screw_id: int, scan_id: int, *, role: str, **extents: str
) -> int:
    """Put a reading into a transaction; its consensus is not worked out."""
    walls = {f"{wall}_mm": Decimal(extents.get(wall.value, "0.0")) for wall in PEDICLE_WALLS}
    return work.insert(
        Reading,
        "read a screw",
        screw_id=screw_id,
        scan_id=scan_id,
        reader_id=viewer.person_id,
        recorded_by_id=viewer.account_id,
        role=role,
        read_on=work.now.date(),
        recorded_at=work.now,
        is_assessable=True,
        method="typed",
        is_blind=True,
        **walls,
    )
