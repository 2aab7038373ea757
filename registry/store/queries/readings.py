"""Readings as consensus takes them."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.directions import Direction
from registry.domain.readings import ReadingFacts, ReadingRole
from registry.store.models.cases import Screw
from registry.store.models.readings import Assignment, ConsensusRow, Reading

if TYPE_CHECKING:
    from collections.abc import Collection

    from sqlalchemy.orm import Session

READING_EXTENTS = tuple(getattr(Reading, f"{wall}_mm") for wall in Direction)


def current_readings(
    session: Session, screw_ids: Collection[int] | None = None
) -> dict[tuple[int, int], list[ReadingFacts]]:
    """Return the readings that nothing supersedes, by screw and scan; all, or of some screws.

    For the consensus and its check alone: no viewer is asked, and nothing of it is shown.
    """
    superseded = select(Reading.supersedes_id).where(Reading.supersedes_id.is_not(None))
    query = (
        select(
            Reading.screw_id,
            Reading.scan_id,
            Reading.id,
            Reading.role,
            Reading.is_assessable,
            Reading.bearing_deg,
            *READING_EXTENTS,
        )
        .where(Reading.id.not_in(superseded))
        .order_by(Reading.id)
    )
    if screw_ids is not None:
        query = query.where(Reading.screw_id.in_(screw_ids))
    found: dict[tuple[int, int], list[ReadingFacts]] = defaultdict(list)
    for row in session.execute(query):
        found[row[0], row[1]].append(
            ReadingFacts(
                row[2],
                ReadingRole(row[3]),
                row[4],
                dict(zip(Direction, row[6:], strict=True)),
                row[5],
            )
        )
    return found


def owed_seconds(
    session: Session, screw_ids: Collection[int] | None = None
) -> set[tuple[int, int]]:
    """Return the screws and scans for which a second reading was asked for and still is."""
    query = select(Assignment.screw_id, Assignment.scan_id).where(
        Assignment.role == ReadingRole.SECOND, Assignment.closed_at.is_(None)
    )
    if screw_ids is not None:
        query = query.where(Assignment.screw_id.in_(screw_ids))
    return {(row[0], row[1]) for row in session.execute(query)}


def levels_of(session: Session, screw_ids: Collection[int] | None = None) -> dict[int, str]:
    """Return the level of each screw."""
    query = select(Screw.id, Screw.level)
    if screw_ids is not None:
        query = query.where(Screw.id.in_(screw_ids))
    return {row[0]: row[1] for row in session.execute(query)}


def consensus_rows(
    session: Session, screw_ids: Collection[int] | None = None
) -> dict[tuple[int, int], ConsensusRow]:
    """Return the stored consensus by screw and scan, for working it out again."""
    query = select(ConsensusRow)
    if screw_ids is not None:
        query = query.where(ConsensusRow.screw_id.in_(screw_ids))
    return {(row.screw_id, row.scan_id): row for row in session.execute(query).scalars()}


def screws_settled_otherwise(session: Session, rule_version: str) -> set[int]:
    """Return the screws of which a stored consensus was worked out by another rule than this."""
    query = select(ConsensusRow.screw_id).where(ConsensusRow.rule_version != rule_version)
    return set(session.execute(query).scalars())
