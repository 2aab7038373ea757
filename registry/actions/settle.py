"""Work out the consensus of screws whose readings have changed, in the reading's transaction.

Where two readings do not agree an adjudication is asked for, once; it is closed again where a
reading that replaced one of them makes them agree before it is done.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from registry.domain.consensus import ConsensusState, consensus
from registry.domain.readings import ReadingRole
from registry.store.models.readings import Assignment, ConsensusRow
from registry.store.queries.assignments import (
    asked_adjudications,
    uncounted_screws,
    withdrawn_screws,
)
from registry.store.queries.counted_screws import audit_scans
from registry.store.queries.readings import (
    consensus_rows,
    current_readings,
    levels_of,
    owed_seconds,
)
from registry.store.verification import consensus_values

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from registry.domain.consensus import Consensus
    from registry.domain.settings import Settings
    from registry.store.queries.assignments import AskedAdjudication
    from registry.store.writing import Writing

DISAGREE = "the two readings do not agree"
AGREE_NOW = "the two readings agree now"
NOT_COUNTED = "the screw was not placed in this operation, or was removed before closure"
WITHDRAWN = "the patient was withdrawn"
ANOTHER_SCAN = "the case is not counted on this scan"
_LISTED_AT_MOST = 500


def settle(
    work: Writing, settings: Settings, screw_ids: Collection[int], *, because: str = ""
) -> int:
    """Write the consensus of some screws where it is new or has changed; return how many were."""
    work.flush_rows()
    wanted = set(screw_ids)
    # A long list of ids is slower to send, and limited, than reading the table whole.
    asked = wanted if len(wanted) <= _LISTED_AT_MOST else None
    session = work.session
    rule = settings.agreement_rule()
    readings = current_readings(session, rule.counted, asked)
    owed, levels = owed_seconds(session, asked), levels_of(session, asked)
    rows, adjudications = consensus_rows(session, asked), asked_adjudications(session, asked)
    changed, differing = 0, []
    for place, found in readings.items():
        if place[0] not in wanted:
            continue
        worked_out = consensus(
            found, level=levels[place[0]], second_is_owed=place in owed, rule=rule
        )
        if worked_out is None:
            continue
        changed += _write(work, place, worked_out, rows.get(place), because)
        if worked_out.state is ConsensusState.AWAITING_ADJUDICATION:
            differing.append(place)
        elif worked_out.state is ConsensusState.AGREED and place in adjudications:
            _close(work, adjudications[place])
    _ask_for_adjudications(work, settings, differing, adjudications)
    return changed


def _write(
    work: Writing,
    place: tuple[int, int],
    worked_out: Consensus,
    row: ConsensusRow | None,
    because: str,
) -> bool:
    values = consensus_values(worked_out)
    if row is None:
        place_values = {"screw_id": place[0], "scan_id": place[1]}
        work.insert(ConsensusRow, "work out consensus", because=because, **place_values, **values)
        return True
    if all(getattr(row, name) == value for name, value in values.items()):
        return False
    work.update(ConsensusRow, "work out consensus again", row.id, because=because, **values)
    return True


def _close(work: Writing, asked: AskedAdjudication) -> None:
    if asked.closed_reason is None:
        work.update(
            Assignment,
            "close an adjudication",
            asked.assignment_id,
            because=AGREE_NOW,
            closed_at=work.now,
            closed_reason=AGREE_NOW,
        )


def _ask_for_adjudications(
    work: Writing,
    settings: Settings,
    differing: list[tuple[int, int]],
    adjudications: Mapping[tuple[int, int], AskedAdjudication],
) -> None:
    """Ask for what was not asked for yet; where nothing is owed it is noted and closed at once."""
    again: dict[str, Any] = {"closed_at": None, "closed_reason": None, "made_at": work.now}
    gone = withdrawn_screws(work.session, {screw_id for screw_id, _ in differing})
    for place in differing:
        can_be_made = place in adjudications and place[0] not in gone
        if can_be_made and adjudications[place].closed_reason == AGREE_NOW:
            asked_id = adjudications[place].assignment_id
            work.update(
                Assignment, "ask for an adjudication again", asked_id, because=DISAGREE, **again
            )
    fresh = [place for place in differing if place not in adjudications]
    if not fresh:
        return
    counted_on = set(audit_scans(work.session, settings.audit_window_days).values())
    uncounted = uncounted_screws(work.session, {screw_id for screw_id, _ in fresh})
    for screw_id, scan_id in fresh:
        why_not = ANOTHER_SCAN if scan_id not in counted_on else None
        if screw_id in uncounted:
            why_not = NOT_COUNTED
        if screw_id in gone:
            why_not = WITHDRAWN
        work.insert(
            Assignment,
            "ask for an adjudication",
            screw_id=screw_id,
            scan_id=scan_id,
            role=ReadingRole.ADJUDICATION.value,
            reason=DISAGREE,
            made_at=work.now,
            closed_at=work.now if why_not else None,
            closed_reason=why_not,
        )
