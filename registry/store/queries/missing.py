"""What is missing before a quarter is whole: cases without an audit scan, screws not read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import exists, select

from registry.domain.directions import Direction
from registry.domain.levels import level
from registry.domain.readings import ReadingRole
from registry.domain.scales import measured_walls
from registry.domain.techniques import COUNTED_LIVES
from registry.store.models.cases import Case, Screw
from registry.store.models.readings import ConsensusRow, Reading
from registry.store.queries.counted_screws import EXTENT_COLUMNS, audit_scans
from registry.store.visible import visible_cases

if TYPE_CHECKING:
    from datetime import date

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer

_LIVES = [life.value for life in COUNTED_LIVES]


@dataclass(frozen=True)
class UnscannedCase:
    """A case with placed screws and no audit scan, and why there is none, if that was said."""

    case_id: int
    reference: str
    operated_on: date
    no_scan_reason: str | None


def unscanned_cases(
    session: Session, viewer: Viewer, window_days: tuple[int, int]
) -> list[UnscannedCase]:
    """Return the cases without an audit scan that a viewer may look at, the latest first."""
    scanned = audit_scans(session, window_days)
    query = (
        visible_cases(viewer)
        .where(exists().where(Screw.case_id == Case.id, Screw.life.in_(_LIVES)))
        .order_by(Case.operated_on.desc(), Case.id.desc())
        .with_only_columns(Case.id, Case.reference, Case.operated_on, Case.no_scan_reason)
    )
    return [UnscannedCase(*row) for row in session.execute(query) if row[0] not in scanned]


@dataclass(frozen=True)
class ScrewRead:
    """How far a placed screw of a level with a pedicle grade has come on its audit scan.

    Attributes
    ----------
    operated_on : of its case
    is_read : there is a reading
    is_assessable : it says what was found
    is_graded : every wall that its level needs was measured
    is_second_read : there is a second reading
    """

    operated_on: date
    is_read: bool
    is_assessable: bool
    is_graded: bool
    is_second_read: bool

    @property
    def is_partly_read(self) -> bool:
        """Whether it was read and has no grade for want of a wall."""
        return self.is_assessable and not self.is_graded


def screws_read(
    session: Session, viewer: Viewer, window_days: tuple[int, int], since: date
) -> list[ScrewRead]:
    """Return the placed screws with an audit scan of the cases that a viewer may look at."""
    scans = audit_scans(session, window_days)
    cases = visible_cases(viewer).where(Case.operated_on >= since).with_only_columns(Case.id)
    placed = select(Screw.id).where(Screw.case_id.in_(cases), Screw.life.in_(_LIVES))
    found = {
        (row[0], row[1]): row[2:]
        for row in session.execute(
            select(
                ConsensusRow.screw_id,
                ConsensusRow.scan_id,
                ConsensusRow.is_assessable,
                *EXTENT_COLUMNS,
            ).where(ConsensusRow.screw_id.in_(placed))
        )
    }
    seconds = {
        (row[0], row[1])
        for row in session.execute(
            select(Reading.screw_id, Reading.scan_id).where(
                Reading.role == ReadingRole.SECOND, Reading.screw_id.in_(placed)
            )
        )
    }
    listed = []
    for screw, case, code, operated_on in session.execute(
        select(Screw.id, Screw.case_id, Screw.level, Case.operated_on)
        .join(Case, Case.id == Screw.case_id)
        .where(Screw.id.in_(placed))
    ):
        if case not in scans or not level(code).has_pedicle_grade:
            continue
        read = found.get((screw, scans[case]))
        is_assessable = bool(read and read[0])
        extents = dict(zip(Direction, read[1:], strict=True)) if read else {}
        listed.append(
            ScrewRead(
                operated_on=operated_on,
                is_read=read is not None,
                is_assessable=is_assessable,
                is_graded=is_assessable and measured_walls(extents, level(code)) is not None,
                is_second_read=(screw, scans[case]) in seconds,
            )
        )
    return listed
