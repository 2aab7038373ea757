"""Work out the consensus of screws whose readings have changed, in the reading's transaction."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.consensus import consensus
from registry.store.models.readings import ConsensusRow
from registry.store.queries.readings import (
    consensus_rows,
    current_readings,
    levels_of,
    owed_seconds,
)
from registry.store.verification import consensus_values

if TYPE_CHECKING:
    from collections.abc import Collection

    from registry.domain.settings import Settings
    from registry.store.writing import Writing

_LISTED_AT_MOST = 500


def settle(work: Writing, settings: Settings, screw_ids: Collection[int]) -> None:
    """Write the consensus of some screws where it is new or has changed."""
    work.flush_rows()
    wanted = set(screw_ids)
    # A long list of ids is slower to send, and limited, than reading the table whole.
    asked = wanted if len(wanted) <= _LISTED_AT_MOST else None
    session = work.session
    readings = current_readings(session, asked)
    owed, levels = owed_seconds(session, asked), levels_of(session, asked)
    rows = consensus_rows(session, asked)
    rule = settings.agreement_rule()
    for place, found in readings.items():
        screw_id, scan_id = place
        if screw_id not in wanted:
            continue
        worked_out = consensus(
            found, level=levels[screw_id], second_is_owed=place in owed, rule=rule
        )
        if worked_out is None:
            continue
        values = consensus_values(worked_out)
        row = rows.get(place)
        if row is None:
            work.insert(
                ConsensusRow, "work out consensus", screw_id=screw_id, scan_id=scan_id, **values
            )
        elif any(getattr(row, name) != value for name, value in values.items()):
            work.update(ConsensusRow, "work out consensus again", row.id, **values)
