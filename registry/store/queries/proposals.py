"""Proposals as they are made: which are owed, who is at them, which is kept.

No viewer is asked here: what a proposal holds is shown by `store.queries.proposed` alone.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from sqlalchemy import delete, or_, select, update

from registry.domain.directions import Side
from registry.domain.levels import level
from registry.domain.techniques import Life
from registry.measure.proposals.documents import log_digest
from registry.measure.proposals.records import VERSION, LoggedScrew
from registry.store.apart import WITH_DRAWN
from registry.store.models.cases import Screw
from registry.store.models.drawn import DrawnCase
from registry.store.models.proposals import ProposalRow, ProposalWork
from registry.store.models.scans import HeldImage, Scan
from registry.store.models.trail import TrailHead
from registry.store.queries.counted_screws import audit_scans

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import datetime

    from sqlalchemy.orm import Session

_IN_THE_PATIENT = (Life.PLACED.value, Life.REDIRECTED.value, Life.RETAINED.value)


@dataclass(frozen=True)
class ScanToPropose:
    """A scan whose image is held here, with the screws that the log has in the patient.

    Attributes
    ----------
    logged : cranial first, the left side first; those from an earlier operation too
    """

    scan_id: int
    image_digest: str
    logged: tuple[LoggedScrew, ...]

    @cached_property
    def log_digest(self) -> str:
        """Return what names these screws: with others a proposal is another."""
        return log_digest(self.logged)


@dataclass(frozen=True)
class KeptProposal:
    """What stands of a scan: its document, or why there is none.

    Attributes
    ----------
    is_present : made by this version on this image for this log
    """

    proposal_id: int
    made_at: datetime
    document: str | None
    failure: str | None
    is_present: bool


def scans_to_propose(
    session: Session, scan_ids: Collection[int] | None = None
) -> list[ScanToPropose]:
    """Return the scans whose images are held here, by number; all, or some of them.

    Drawn ones are among them: what is proposed of them is made as of any other.
    """
    query = (
        select(Scan.id, Scan.case_id, HeldImage.digest)
        .join(HeldImage, HeldImage.id == Scan.image_id)
        .where(HeldImage.removed_at.is_(None))
        .order_by(Scan.id)
    )
    screws = select(
        Screw.case_id, Screw.level, Screw.side, Screw.number, Screw.diameter_mm, Screw.length_mm
    ).where(Screw.life.in_(_IN_THE_PATIENT))
    if scan_ids is not None:
        query = query.where(Scan.id.in_(scan_ids))
        cases = select(Scan.case_id).where(Scan.id.in_(scan_ids))
        screws = screws.where(Screw.case_id.in_(cases))
    logged: dict[int, list[LoggedScrew]] = defaultdict(list)
    screws = screws.execution_options(**WITH_DRAWN)
    query = query.execution_options(**WITH_DRAWN)
    for case_id, code, side, number, diameter, length in session.execute(screws):
        sizes = [None if size is None else float(size) for size in (diameter, length)]
        logged[case_id].append(LoggedScrew(code, Side(side), number, *sizes))
    return [
        ScanToPropose(row[0], row[2], tuple(sorted(logged[row[1]], key=_place)))
        for row in session.execute(query)
    ]


def _place(screw: LoggedScrew) -> tuple[int, str, int]:
    return level(screw.level).order, screw.side, screw.number


def owed_proposals(session: Session, window_days: tuple[int, int]) -> list[ScanToPropose]:
    """Return the audit scans that have no proposal, nor a failure, of this version and log.

    The latest first: they are read next.
    """
    counted = set(audit_scans(session, window_days).values())
    counted |= set(session.execute(select(DrawnCase.scan_id)).scalars())
    found = [scan for scan in scans_to_propose(session) if scan.scan_id in counted]
    rows = session.execute(
        select(
            ProposalRow.scan_id,
            ProposalRow.image_digest,
            ProposalRow.log_digest,
            ProposalRow.algorithm,
        )
        .where(ProposalRow.replaced_at.is_(None))
        .execution_options(**WITH_DRAWN)
    )
    kept = {tuple(row) for row in rows}
    return [
        scan
        for scan in reversed(found)
        if (scan.scan_id, scan.image_digest, scan.log_digest, VERSION) not in kept
    ]


def trail_length(session: Session) -> int:
    """Return the trail's length: while it stays, nothing has changed that makes a proposal owed."""
    return session.execute(select(TrailHead.length)).scalar_one()


def kept_proposal(session: Session, scan: ScanToPropose) -> KeptProposal | None:
    """Return what stands of a scan, or None where nothing was worked out yet."""
    row = session.execute(
        select(ProposalRow)
        .where(ProposalRow.scan_id == scan.scan_id, ProposalRow.replaced_at.is_(None))
        .execution_options(**WITH_DRAWN)
    ).scalar_one_or_none()
    if row is None:
        return None
    made = (row.image_digest, row.log_digest, row.algorithm)
    is_present = made == (scan.image_digest, scan.log_digest, VERSION)
    return KeptProposal(row.id, row.made_at, row.document, row.failure, is_present)


def take_proposal(
    session: Session, scan_id: int, worker: str, now: datetime, until: datetime
) -> int | None:
    """Take a scan until then; return how often it was begun, or None where another has it."""
    is_free = or_(ProposalWork.lease_until.is_(None), ProposalWork.lease_until < now)
    values = {"lease_name": worker, "lease_until": until}
    taken = session.execute(
        update(ProposalWork)
        .where(ProposalWork.scan_id == scan_id, is_free)
        .values(tries=ProposalWork.tries + 1, **values)
        .execution_options(synchronize_session=False)
    )
    there = select(ProposalWork.tries).where(ProposalWork.scan_id == scan_id)
    if taken.rowcount:  # type: ignore[attr-defined]
        return session.execute(there).scalar_one()
    if session.execute(there).first() is not None:
        return None
    # Two that come at the same moment: the second is refused by the key, and comes again.
    session.add(ProposalWork(scan_id=scan_id, tries=1, **values))
    session.flush()
    return 1


def let_proposal_go(session: Session, scan_id: int, worker: str, *, is_done: bool) -> bool:
    """Let a scan go; return whether it was still this worker's.

    What is done is forgotten; what is not keeps how often it was begun.
    """
    held = (ProposalWork.scan_id == scan_id, ProposalWork.lease_name == worker)
    change = (
        delete(ProposalWork)
        if is_done
        else update(ProposalWork).values(lease_name=None, lease_until=None)
    )
    found = session.execute(change.where(*held).execution_options(synchronize_session=False))
    return bool(found.rowcount)  # type: ignore[attr-defined]


def give_try_back(session: Session, scan_id: int, worker: str) -> None:
    """Let a scan go as it was taken: who was told to stop has not failed at it."""
    session.execute(
        update(ProposalWork)
        .where(ProposalWork.scan_id == scan_id, ProposalWork.lease_name == worker)
        .values(lease_name=None, lease_until=None, tries=ProposalWork.tries - 1)
        .execution_options(synchronize_session=False)
    )
