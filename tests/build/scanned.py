"""A small image of a case, held here and matched by the shell's own account."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import numpy as np
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.store.models.cases import Case
from registry.store.models.scans import HeldImage, Scan

if TYPE_CHECKING:
    from registry.store.home import Ledger

_AT = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)


def with_held_scan(ledger: Ledger, reference: str, scanned_on: date = date(2026, 3, 3)) -> int:
    """Attach an image of a few voxels to a case; return its scan."""
    local = acting(ledger, None)
    with ledger.reading() as session:
        case_id = session.execute(select(Case.id).where(Case.reference == reference)).scalar_one()
    with ledger.images.writer() as image:
        image.begin((2, 2, 2), "int16")
        for number in range(2):
            image.write(number, np.full((2, 2), case_id, dtype=np.int16))
        digest = image.seal(np.eye(4), {})
    with ledger.writing(local, _AT) as work:
        image_id = work.insert(HeldImage, "keep an image", digest=digest, added_at=_AT)
        return work.insert(
            Scan,
            "attach a scan",
            case_id=case_id,
            scanned_on=scanned_on,
            kind="post-operative CT",
            reason="routine",
            image_id=image_id,
            is_adequate=True,
            warnings="[]",
            matched_by_id=local.account_id,
        )
