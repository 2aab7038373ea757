"""Which counted screws were read twice, and by which rule; unlabelled, for the rates' correction.

No viewer is asked here: `actions.count_second`, the one caller, shows sums over all screws asked
for, to who may see them all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.consensus import ConsensusState
from registry.domain.directions import Direction
from registry.domain.readings import ReadingRole
from registry.domain.second_reading import SecondReason, quarter_of
from registry.store.models.cases import Case, Screw
from registry.store.models.readings import Assignment, ConsensusRow, Draw, Reading
from registry.store.queries.counted_screws import audit_scans
from registry.store.queries.readings import READING_EXTENTS, counted_ids

if TYPE_CHECKING:
    from collections.abc import Mapping
    from decimal import Decimal

    from sqlalchemy.orm import Session

    from registry.domain.settings import Settings

_PERCENT = 100
_CERTAIN = frozenset(reason.value for reason in SecondReason if reason is not SecondReason.DRAWN)
_DECIDED = {ConsensusState.AGREED.value, ConsensusState.ADJUDICATED.value}


@dataclass(frozen=True)
class SecondRead:
    """What the first reading of a screw found, and whether a second one was to be made.

    Attributes
    ----------
    first_mm : extents of the first reading that counts
    share : with which a second reading was drawn, 0 to 1; None where the rule asks for one whatever
        is drawn, or where no rule of this ledger asked
    is_by_rule : a rule of this ledger says whether it is read twice; not so where the first reading
        came from a table
    is_twice : it has been read twice and what counts is decided
    is_drawn : it is of the random share, and read twice
    """

    first_mm: Mapping[Direction, Decimal | None]
    share: Decimal | None
    is_by_rule: bool
    is_twice: bool
    is_drawn: bool


def second_reads(session: Session, settings: Settings) -> dict[int, SecondRead]:
    """Return it of every screw with a first reading on its audit scan."""
    scans = audit_scans(session, settings.audit_window_days)
    shares = {row[0]: row[1] / _PERCENT for row in session.execute(
        select(Draw.period, Draw.share_percent)
    )}  # fmt: skip
    asked = {
        (row[0], row[1]): row[2]
        for row in session.execute(
            select(Assignment.screw_id, Assignment.scan_id, Assignment.reason).where(
                Assignment.role == ReadingRole.SECOND, Assignment.supersedes_id.is_(None)
            )
        )
    }
    decided = {
        (row[0], row[1])
        for row in session.execute(
            select(ConsensusRow.screw_id, ConsensusRow.scan_id).where(
                ConsensusRow.state.in_(_DECIDED)
            )
        )
    }
    counting = counted_ids(session, settings.counted_reading)
    query = (
        select(
            Reading.id,
            Reading.screw_id,
            Reading.scan_id,
            Reading.assignment_id,
            Case.id,
            Case.operated_on,
            *READING_EXTENTS,
        )
        .join(Screw, Screw.id == Reading.screw_id)
        .join(Case, Case.id == Screw.case_id)
        .where(Reading.role == ReadingRole.FIRST)
    )
    found, walls = {}, tuple(Direction)
    for reading, screw, scan, assignment, case, operated_on, *extents in session.execute(query):
        if scans.get(case) != scan or reading not in counting:
            continue
        place = (screw, scan)
        reason, share = asked.get(place), shares.get(quarter_of(operated_on))
        is_by_rule = assignment is not None
        is_certain = reason in _CERTAIN or not is_by_rule or share is None or share == 1
        found[screw] = SecondRead(
            first_mm=dict(zip(walls, extents, strict=True)),
            share=None if is_certain else share,
            is_by_rule=is_by_rule,
            is_twice=place in decided,
            is_drawn=not is_certain and reason == SecondReason.DRAWN and place in decided,
        )
    return found
