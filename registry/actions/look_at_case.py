"""Note that an account has looked at a case, surgeon and technique included.

Whoever has is offered that case's screws last, and a reading of theirs is not blind.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, reach, require
from registry.store.models.unit import CaseSeen
from registry.store.queries.constructs import has_seen
from registry.store.queries.evidence import decided_between
from registry.store.queries.listed_cases import unseen_cases

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.store.home import Ledger


def look_at_case(ledger: Ledger, viewer: Viewer, case_id: int, now: datetime) -> bool:
    """Note the first look of an account at a case that it was shown; return whether it was one."""
    require(viewer, Deed.SEE_CASES)
    with ledger.reading() as session:
        if has_seen(session, viewer, case_id):
            return False
    with ledger.writing(viewer, now) as work:
        if has_seen(work.session, viewer, case_id):
            return False
        work.insert(
            CaseSeen,
            "look at a case",
            case_id=case_id,
            account_id=viewer.account_id,
            seen_at=now,
        )
    return True


def look_at_cases(ledger: Ledger, viewer: Viewer, case_ids: Collection[int], now: datetime) -> None:
    """Note the first look of an account at cases of which it was shown what was found.

    Not those in which the viewer took part, nor any for an account without a person: neither reads.
    """
    require(viewer, Deed.SEE_CASES)
    if reach(viewer, Deed.READ_SCREWS) is not Reach.ALL:
        return
    with ledger.reading() as session:
        if not unseen_cases(session, viewer, case_ids):
            return
    with ledger.writing(viewer, now) as work:
        for case_id in unseen_cases(work.session, viewer, case_ids):
            work.insert(
                CaseSeen,
                "look at a case",
                because="listed with what was found",
                case_id=case_id,
                account_id=viewer.account_id,
                seen_at=now,
            )


def look_at_others_readings(ledger: Ledger, viewer: Viewer, reading_id: int, now: datetime) -> None:
    """Note that an adjudicator looks at what others read of a screw that they have decided."""
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    with ledger.writing(viewer, now) as work:
        found = decided_between(work.session, viewer, reading_id)
        if found.is_shown:
            return
        work.insert(
            CaseSeen,
            "look at a case",
            because="to see what was decided between",
            case_id=found.case_id,
            account_id=viewer.account_id,
            seen_at=now,
        )
