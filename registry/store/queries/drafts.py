"""Drafts of readings: each is its own account's alone, and nobody else's question finds it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import delete, select

from registry.store.apart import WITH_DRAWN
from registry.store.models.cases import Screw
from registry.store.models.drafts import ReadingDraft
from registry.store.models.readings import Assignment
from registry.store.models.scans import HeldImage, Scan

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import datetime

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer


@dataclass(frozen=True)
class SavedDraft:
    """A draft that became a reading.

    Attributes
    ----------
    save_key : under which it was saved
    outcome : what was answered, as JSON
    saved_at : when
    image_digest : of the image it was read on
    """

    save_key: str
    outcome: str
    saved_at: datetime
    image_digest: str


def draft_text(session: Session, viewer: Viewer, assignment_id: int) -> str | None:
    """Return the viewer's own draft as it was kept, or None."""
    row = session.get(ReadingDraft, (assignment_id, viewer.account_id))
    return None if row is None or not row.document else row.document


def put_draft(
    session: Session, viewer: Viewer, assignment_id: int, document: str, now: datetime
) -> None:
    """Keep the viewer's draft in place of the one before."""
    row = session.get(ReadingDraft, (assignment_id, viewer.account_id))
    if row is None:
        row = ReadingDraft(assignment_id=assignment_id, account_id=viewer.account_id)
        session.add(row)
    row.document, row.kept_at = document, now


def note_saved(
    session: Session,
    viewer: Viewer,
    assignment_id: int,
    *,
    key: str,
    outcome: str,
    now: datetime,
) -> None:
    """Note that the viewer's draft became a reading, in that reading's own transaction.

    Drafts that others had of the same reading go: it is not theirs to make any more.
    """
    session.execute(delete(ReadingDraft).where(ReadingDraft.assignment_id == assignment_id))
    session.add(
        ReadingDraft(
            assignment_id=assignment_id,
            account_id=viewer.account_id,
            document="",
            kept_at=now,
            save_key=key,
            outcome=outcome,
        )
    )


def saved_draft(session: Session, viewer: Viewer, assignment_id: int) -> SavedDraft | None:
    """Return what the viewer's own draft was saved as, or None where it was not."""
    row = session.execute(
        select(ReadingDraft.save_key, ReadingDraft.outcome, ReadingDraft.kept_at, HeldImage.digest)
        .join(Assignment, Assignment.id == ReadingDraft.assignment_id)
        .join(Scan, Scan.id == Assignment.scan_id)
        .join(HeldImage, HeldImage.id == Scan.image_id)
        .where(
            ReadingDraft.assignment_id == assignment_id,
            ReadingDraft.account_id == viewer.account_id,
            ReadingDraft.outcome.is_not(None),
        )
        .execution_options(**WITH_DRAWN)
    ).first()
    if row is None:
        return None
    return SavedDraft(row[0] or "", row[1] or "", row[2], row[3])


def drop_drafts_before(session: Session, instant: datetime) -> None:
    """Drop what nobody has touched since."""
    session.execute(delete(ReadingDraft).where(ReadingDraft.kept_at < instant))


def drop_drafts_of_cases(session: Session, case_ids: Collection[int]) -> None:
    """Drop every draft of some cases' screws."""
    theirs = (
        select(Assignment.id)
        .join(Screw, Screw.id == Assignment.screw_id)
        .where(Screw.case_id.in_(case_ids))
    )
    session.execute(delete(ReadingDraft).where(ReadingDraft.assignment_id.in_(theirs)))
