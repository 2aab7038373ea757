"""Work out the consensus of screws whose readings have changed, in the reading's transaction.

Where two readings do not agree an adjudication is asked for, once; it is closed again where a
reading that replaced one of them makes them agree before it is done.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.consensus import ConsensusState, consensus
from registry.domain.readings import ReadingRole
from registry.store.models.readings import Assignment, ConsensusRow
from registry.store.queries.assignments import asked_adjudications
from registry.store.queries.readings import (
    consensus_rows,
    current_readings,
    levels_of,
    owed_seconds,
)
from registry.store.verification import consensus_values

if TYPE_CHECKING:
    from collections.abc import Collection

    from registry.domain.consensus import Consensus
    from registry.domain.settings import Settings
    from registry.store.queries.assignments import AskedAdjudication
    from registry.store.writing import Writing

DISAGREE = "the two readings do not agree"
AGREE_NOW = "the two readings agree now"
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
    readings = current_readings(session, asked)
    owed, levels = owed_seconds(session, asked), levels_of(session, asked)
    rows, adjudications = consensus_rows(session, asked), asked_adjudications(session, asked)
    rule = settings.agreement_rule()
    changed = 0
    for place, found in readings.items():
        if place[0] not in wanted:
            continue
        worked_out = consensus(
            found, level=levels[place[0]], second_is_owed=place in owed, rule=rule
        )
        if worked_out is None:
            continue
        changed += _write(work, place, worked_out, rows.get(place), because)
        _ask_or_close(work, place, worked_out, adjudications.get(place))
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


def _ask_or_close(
    work: Writing, place: tuple[int, int], worked_out: Consensus, asked: AskedAdjudication | None
) -> None:
    state = worked_out.state
    if state is ConsensusState.AWAITING_ADJUDICATION:
        if asked is None:
            work.insert(
                Assignment,
                "ask for an adjudication",
                screw_id=place[0],
                scan_id=place[1],
                role=ReadingRole.ADJUDICATION.value,
                reason=DISAGREE,
                made_at=work.now,
            )
        elif asked.closed_reason == AGREE_NOW:
            open_again = {"closed_at": None, "closed_reason": None, "made_at": work.now}
            work.update(
                Assignment,
                "ask for an adjudication again",
                asked.assignment_id,
                because=DISAGREE,
                **open_again,
            )
    elif state is ConsensusState.AGREED and asked is not None and asked.closed_reason is None:
        work.update(
            Assignment,
            "close an adjudication",
            asked.assignment_id,
            because=AGREE_NOW,
            closed_at=work.now,
            closed_reason=AGREE_NOW,
        )
