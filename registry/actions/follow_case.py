"""Keep what is owed right when a case changes: its screws, their lives, its scans.

A screw that is not counted, or a scan that a case is not counted on, owes no reading; what was
asked for is closed with its reason and opened again should that reason fall away.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from registry.actions.assign import assign_on_held_scans
from registry.actions.settle import ANOTHER_SCAN, NOT_COUNTED, settle
from registry.store.models.readings import Assignment
from registry.store.queries.counted_screws import audit_scans
from registry.store.queries.owed import asked_of_cases

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from registry.domain.settings import Settings
    from registry.store.queries.owed import AskedFor
    from registry.store.writing import Writing

_FALLS_AWAY = frozenset({NOT_COUNTED, ANOTHER_SCAN})


def follow_cases(
    work: Writing, settings: Settings, case_ids: Collection[int], *, screws: Collection[int] = ()
) -> None:
    """Close, open and ask for readings as some cases now stand, and work consensus out again.

    `screws` are those whose consensus may be another although nothing owed has changed.
    """
    work.flush_rows()
    chosen = audit_scans(work.session, settings.audit_window_days)
    touched = set(screws)
    for asked in asked_of_cases(work.session, case_ids):
        if _follow(work, asked, _why_not_owed(asked, chosen)):
            touched.add(asked.screw_id)
    assign_on_held_scans(work, settings, case_ids)
    if touched:
        settle(work, settings, touched)


def close_owed(work: Writing, settings: Settings, case_ids: Collection[int], why: str) -> int:
    """Close everything that is owed of some cases for good; return how much was."""
    closed = 0
    # Working consensus out may ask for an adjudication, which is then closed as well.
    for _ in range(2):
        work.flush_rows()
        still_owed = [
            asked for asked in asked_of_cases(work.session, case_ids) if asked.closed_reason is None
        ]
        for asked in still_owed:
            _follow(work, asked, why)
        closed += len(still_owed)
        settle(work, settings, {asked.screw_id for asked in still_owed})
    return closed


def _why_not_owed(asked: AskedFor, chosen: Mapping[int, int]) -> str:
    if not asked.is_counted:
        return NOT_COUNTED
    return "" if chosen.get(asked.case_id) == asked.scan_id else ANOTHER_SCAN


def _follow(work: Writing, asked: AskedFor, why: str) -> bool:
    """Close or open one that was asked for where that is due; return whether it was."""
    if why and asked.closed_reason is None:
        work.update(
            Assignment,
            "close what is owed",
            asked.assignment_id,
            because=why,
            closed_at=work.now,
            closed_reason=why,
        )
        return True
    if not why and asked.closed_reason in _FALLS_AWAY:
        again: dict[str, Any] = {"closed_at": None, "closed_reason": None}
        work.update(Assignment, "ask for a reading again", asked.assignment_id, **again)
        return True
    return False
