"""Ask for readings: a first one of each screw on an audit scan, a second where the rule says so."""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING

from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.domain.readings import ReadingRole
from registry.domain.second_reading import SecondReason, is_drawn, quarter_of, reason_for_second
from registry.store.models.readings import Assignment, Draw
from registry.store.queries.assignments import (
    draw_of,
    has_second,
    held_scans,
    screws_without_first,
    to_be_replaced,
)
from registry.store.queries.counted_screws import audit_scans

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from datetime import date
    from decimal import Decimal

    from registry.domain.directions import Direction
    from registry.domain.settings import Settings
    from registry.store.writing import Writing

LONGEST_REASON = 100
_PERCENT = 100


def assign_first_readings(work: Writing, settings: Settings, case_id: int, scan_id: int) -> int:
    """Ask for a first reading of every placed screw, where the case is counted on this scan.

    Returns how many were asked for.
    """
    work.flush_rows()
    chosen = audit_scans(work.session, settings.audit_window_days).get(case_id)
    return _ask_for_first(work, case_id, scan_id) if chosen == scan_id else 0


def assign_on_held_scans(work: Writing, settings: Settings, case_ids: Collection[int]) -> None:
    """Ask for a first reading of screws that came after the scan on which they are counted."""
    if not case_ids:
        return
    work.flush_rows()
    chosen, held = audit_scans(work.session, settings.audit_window_days), held_scans(work.session)
    for case_id in case_ids:
        scan_id = chosen.get(case_id)
        if scan_id in held:
            _ask_for_first(work, case_id, scan_id)


def _ask_for_first(work: Writing, case_id: int, scan_id: int) -> int:
    screws = screws_without_first(work.session, case_id, scan_id)
    for screw_id in screws:
        work.insert(
            Assignment,
            "ask for a reading",
            screw_id=screw_id,
            scan_id=scan_id,
            role=ReadingRole.FIRST.value,
            reason="on the audit scan",
            made_at=work.now,
        )
    return len(screws)


def ask_to_replace(work: Writing, reading_id: int, *, reader_id: int | None, reason: str) -> int:
    """Ask for a reading that is to replace one; return the assignment.

    `reader_id` is whose it is to be, None for anybody who has not read the screw. `reason` goes
    with the reading that will replace it. ConflictError where it is asked for already, or the
    reading has been replaced.
    """
    work.flush_rows()
    found = to_be_replaced(work.session, reading_id)
    if found is None:
        raise ConflictError(
            Fault("this reading has been replaced", mend="look at the reading that stands now")
        )
    if found.is_asked_for:
        raise ConflictError(
            Fault("this reading is to be read again already", mend="it is on the worklist")
        )
    because = " ".join(reason.split())
    if not 0 < len(because) <= LONGEST_REASON:
        raise BadInputError(
            Fault(
                "no reason" if not because else "too long",
                "reason",
                f"say in 1 to {LONGEST_REASON} characters why it is to be read again",
            )
        )
    asked = {"reader_id": reader_id, "reason": because, "made_at": work.now}
    verb = "ask for a reading to be made again"
    if found.closed_assignment_id is not None:
        work.update(
            Assignment,
            verb,
            found.closed_assignment_id,
            because=because,
            closed_at=None,
            closed_reason=None,
            **asked,
        )
        return found.closed_assignment_id
    return work.insert(
        Assignment,
        verb,
        because=because,
        screw_id=found.screw_id,
        scan_id=found.scan_id,
        role=found.role,
        supersedes_id=reading_id,
        **asked,
    )


def assign_second_reading(
    work: Writing,
    settings: Settings,
    *,
    screw_id: int,
    scan_id: int,
    operated_on: date,
    extents_mm: Mapping[Direction, Decimal | None],
    is_near_cut_off: bool,
    is_low_confidence: bool,
) -> bool:
    """Ask for a second reading where the unit's rule says so; return whether it was asked for.

    One that was asked for before, or made, is not asked for again: a first reading that replaces
    another meets the rule once more.
    """
    if has_second(work.session, screw_id, scan_id):
        return False
    rule = settings.second_reading_rule()
    period = quarter_of(operated_on)
    draw = draw_of(work.session, period)
    if draw is None:
        seed, share = secrets.token_hex(16), rule.share
        draw_id = work.insert(
            Draw,
            "draw a seed",
            period=period,
            seed=seed,
            share_percent=share * _PERCENT,
            made_at=work.now,
        )
        work.flush_rows()
    else:
        # A quarter keeps the share it was drawn with, whatever the setting is by now.
        draw_id, seed, share = draw.draw_id, draw.seed, draw.share_percent / _PERCENT
    drawn = is_drawn(seed, screw_id, share)
    reason = reason_for_second(
        extents_mm,
        is_near_cut_off=is_near_cut_off,
        is_low_confidence=is_low_confidence,
        is_drawn=drawn,
        rule=rule,
    )
    if reason is None:
        return False
    work.insert(
        Assignment,
        "ask for a second reading",
        screw_id=screw_id,
        scan_id=scan_id,
        role=ReadingRole.SECOND.value,
        draw_id=draw_id if reason is SecondReason.DRAWN else None,
        reason=reason.value,
        made_at=work.now,
    )
    return True
