"""Note that an account has been shown whose scan came in.

Whoever has could tell its screws by its day and its pictures, whoever attaches it in the end: they
are offered them last, and a reading of theirs is not blind.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, require
from registry.store.models.unit import CaseSeen
from registry.store.queries.scans import cases_not_seen

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.writing import Writing


def look_to_match(ledger: Ledger, viewer: Viewer, case_ids: Collection[int], now: datetime) -> None:
    """Note the first look of an account at each of the cases that it was shown beside a scan."""
    require(viewer, Deed.LOAD_SCANS, at_least=Reach.ALL)
    with ledger.reading() as session:
        if not cases_not_seen(session, viewer, case_ids):
            return
    with ledger.writing(viewer, now) as work:
        note_shown(work, viewer, case_ids)


def note_shown(work: Writing, viewer: Viewer, case_ids: Collection[int]) -> None:
    """Note it inside the caller's transaction."""
    for case_id in cases_not_seen(work.session, viewer, case_ids):
        work.insert(
            CaseSeen,
            "look at a case",
            because="to match a scan",
            case_id=case_id,
            account_id=viewer.account_id,
            seen_at=work.now,
        )
