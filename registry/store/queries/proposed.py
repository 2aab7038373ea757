"""What a viewer may be shown of a proposal, and what they were shown of it before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import exists, or_, select

from registry.domain.readings import ProposalSeen, ReadingRole
from registry.store.apart import WITH_DRAWN
from registry.store.models.cases import Case, Screw
from registry.store.models.people import Account
from registry.store.models.proposals import ProposalRow, ProposalShown
from registry.store.models.readings import Assignment, Reading
from registry.store.models.scans import HeldImage, Scan
from registry.store.visible import own_readings, readable_assignments

if TYPE_CHECKING:
    from sqlalchemy import ColumnElement, Select
    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer


@dataclass(frozen=True)
class ScrewToPropose:
    """A screw on a scan, for what the program proposes of it; never sent to a page.

    Attributes
    ----------
    reading_id : the viewer's own, None where they have none yet
    is_first : it is read, or to be read, first: not second and not to decide
    """

    screw_id: int
    scan_id: int
    level: str
    side: str
    number: int
    reading_id: int | None
    is_first: bool


def screw_of_assignment(
    session: Session, viewer: Viewer, assignment_id: int
) -> ScrewToPropose | None:
    """Return the screw of an owed reading that the viewer may take on, or None.

    Its `reading_id` is the reading that it is to replace, if that was the viewer's own.
    """
    own = select(Reading.id).where(
        Reading.id == Assignment.supersedes_id, Reading.reader_id == viewer.person_id
    )
    row = session.execute(
        readable_assignments(viewer)
        .join(Scan, Scan.id == Assignment.scan_id)
        .join(HeldImage, HeldImage.id == Scan.image_id)
        .where(Assignment.id == assignment_id, HeldImage.removed_at.is_(None))
        .with_only_columns(
            Assignment.screw_id,
            Assignment.scan_id,
            Screw.level,
            Screw.side,
            Screw.number,
            own.correlate(Assignment).scalar_subquery(),
            Assignment.role == ReadingRole.FIRST,
        )
    ).first()
    return None if row is None else ScrewToPropose(*row)


def screw_of_reading(session: Session, viewer: Viewer, reading_id: int) -> ScrewToPropose | None:
    """Return the screw of a reading of the viewer's own that stands, or None."""
    row = session.execute(
        own_readings(viewer)
        .join(Screw, Screw.id == Reading.screw_id)
        .join(Case, Case.id == Screw.case_id)
        .join(Scan, Scan.id == Reading.scan_id)
        .join(HeldImage, HeldImage.id == Scan.image_id)
        .where(
            Reading.id == reading_id,
            Reading.id.not_in(
                select(Reading.supersedes_id).where(Reading.supersedes_id.is_not(None))
            ),
            HeldImage.removed_at.is_(None),
        )
        .with_only_columns(
            Reading.screw_id,
            Reading.scan_id,
            Screw.level,
            Screw.side,
            Screw.number,
            Reading.id,
            Reading.role == ReadingRole.FIRST,
        )
    ).first()
    return None if row is None else ScrewToPropose(*row)


def _shown_to(viewer: Viewer, screw_id: int, scan_id: int) -> Select[ProposalShown]:
    """Return what the viewer was shown of a screw on a scan, under any account of theirs."""
    return (
        select(ProposalShown)
        .join(ProposalRow, ProposalRow.id == ProposalShown.proposal_id)
        .where(
            ProposalRow.scan_id == scan_id,
            or_(ProposalShown.screw_id.is_(None), ProposalShown.screw_id == screw_id),
            _is_theirs(viewer),
        )
        .execution_options(**WITH_DRAWN)
    )


def _is_theirs(viewer: Viewer) -> ColumnElement[bool]:
    own = ProposalShown.account_id == viewer.account_id
    if viewer.person_id is None:
        return own
    theirs = select(Account.id).where(Account.person_id == viewer.person_id)
    return or_(own, ProposalShown.account_id.in_(theirs))


def proposal_seen(
    session: Session, viewer: Viewer, screw_id: int, scan_id: int
) -> ProposalSeen | None:
    """Return how a reading that the viewer makes now stands to the proposal of its screw."""
    if session.execute(_shown_to(viewer, screw_id, scan_id).limit(1)).first() is None:
        return None
    blind = select(
        exists().where(
            Reading.screw_id == screw_id,
            Reading.scan_id == scan_id,
            Reading.reader_id == viewer.person_id,
            Reading.proposal_seen.is_(None),
        )
    )
    blind = blind.execution_options(**WITH_DRAWN)
    return ProposalSeen.AFTER_OWN if session.execute(blind).scalar() else ProposalSeen.FROM_START


def was_shown(session: Session, viewer: Viewer, proposal_id: int, screw_id: int | None) -> bool:
    """Return whether it is noted that this account was shown a proposal of this screw, or of all.

    What was shown whole was shown of each screw.
    """
    asked = select(ProposalShown.id).where(
        ProposalShown.proposal_id == proposal_id,
        ProposalShown.account_id == viewer.account_id,
        or_(ProposalShown.screw_id.is_(None), ProposalShown.screw_id == screw_id),
    )
    return session.execute(asked.limit(1).execution_options(**WITH_DRAWN)).first() is not None
