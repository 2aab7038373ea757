"""Since when the ledger has known a case's images: an intention recorded after that is late."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import func, select

from registry.store.models.readings import Reading
from registry.store.models.scans import HeldImage, Scan

if TYPE_CHECKING:
    from datetime import datetime

    from sqlalchemy.orm import Session


def imaged_since(session: Session, case_id: int | None = None) -> dict[int, datetime]:
    """Return when each case's first image came into the ledger, or its first reading; all, or one.

    A scan that is held elsewhere is known by its readings alone.
    """
    held = (
        select(Scan.case_id, func.min(HeldImage.added_at))
        .join(HeldImage, HeldImage.id == Scan.image_id)
        .group_by(Scan.case_id)
    )
    read = (
        select(Scan.case_id, func.min(Reading.recorded_at))
        .join(Reading, Reading.scan_id == Scan.id)
        .group_by(Scan.case_id)
    )
    found: dict[int, datetime] = {}
    for query in (held, read):
        asked = query if case_id is None else query.where(Scan.case_id == case_id)
        for case, instant in session.execute(asked):
            found[case] = min(instant, found.get(case, instant))
    return found
