"""Arrivals as people look at them, and the changes of their rows that people make."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from sqlalchemy import and_, func, insert, select, update

from registry.domain.arrivals import WAITING, ArrivalSource, ArrivalState
from registry.store.models.arrivals import ArrivalRow
from registry.store.models.cases import Case
from registry.store.models.people import Account
from registry.store.models.readings import Assignment
from registry.store.models.scans import HeldImage, Scan
from registry.store.visible import is_fulfilled, visible_arrivals

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import date, datetime

    from sqlalchemy import Select
    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer


@dataclass(frozen=True)
class KeptArrival:
    """An arrival as it is kept.

    Attributes
    ----------
    opened_by : name of the account
    files, size_bytes : taken so far
    done, total : of the step that a worker is at
    survey, decision : JSON, None before there is one
    scan_id, case_ref : what it became, once it was read
    """

    arrival_id: int
    token: str = field(repr=False)
    source: ArrivalSource
    opened_by: str
    opened_at: datetime
    last_at: datetime
    state: ArrivalState
    files: int
    size_bytes: int
    done: int
    total: int
    survey: str | None
    message: str
    decision: str | None
    decided_by_id: int | None
    scan_id: int | None
    case_ref: str | None
    version: int


def _kept(viewer: Viewer) -> Select[ArrivalRow, str, str]:
    return (
        visible_arrivals(viewer)
        .join(Account, Account.id == ArrivalRow.account_id)
        .outerjoin(Scan, Scan.id == ArrivalRow.scan_id)
        .outerjoin(Case, Case.id == Scan.case_id)
        .with_only_columns(ArrivalRow, Account.name, Case.reference)
        .execution_options(populate_existing=True)
    )


def _arrival(row: ArrivalRow, opened_by: str, case_ref: str | None) -> KeptArrival:
    return KeptArrival(
        arrival_id=row.id,
        token=row.token,
        source=ArrivalSource(row.source),
        opened_by=opened_by,
        opened_at=row.opened_at,
        last_at=row.last_at,
        state=ArrivalState(row.state),
        files=row.files,
        size_bytes=row.size_bytes,
        done=row.done,
        total=row.total,
        survey=row.survey,
        message=row.message,
        decision=row.decision,
        decided_by_id=row.decided_by_id,
        scan_id=row.scan_id,
        case_ref=case_ref,
        version=row.version,
    )


def listed_arrivals(session: Session, viewer: Viewer, limit: int) -> list[KeptArrival]:
    """Return the newest arrivals."""
    asked = _kept(viewer).order_by(ArrivalRow.id.desc()).limit(limit)
    return [_arrival(*row) for row in session.execute(asked)]


def kept_arrival(session: Session, viewer: Viewer, arrival_id: int) -> KeptArrival | None:
    """Return one arrival, or None."""
    row = session.execute(_kept(viewer).where(ArrivalRow.id == arrival_id)).first()
    return None if row is None else _arrival(*row)


@dataclass(frozen=True)
class ScanOfArrival:
    """What an arrival became; nothing that leads to its case.

    Attributes
    ----------
    image_digest : None where the image is gone again
    owed : readings asked for on it and not made
    is_matched_by_viewer : who looks at it has said whose it is, and why it was made
    notes : what is to be known of it, in words
    """

    scanned_on: date
    kind: str
    reason: str
    image_digest: str | None
    owed: int
    is_matched_by_viewer: bool
    notes: tuple[str, ...]


def scan_of_arrival(session: Session, viewer: Viewer, arrival_id: int) -> ScanOfArrival | None:
    """Return the scan that an arrival became, or None."""
    owed = (
        select(func.count(Assignment.id))
        .where(Assignment.scan_id == Scan.id, Assignment.closed_at.is_(None), ~is_fulfilled())
        .scalar_subquery()
    )
    row = session.execute(
        visible_arrivals(viewer)
        .join(Scan, Scan.id == ArrivalRow.scan_id)
        .outerjoin(HeldImage, and_(HeldImage.id == Scan.image_id, HeldImage.removed_at.is_(None)))
        .where(ArrivalRow.id == arrival_id)
        .with_only_columns(
            Scan.scanned_on,
            Scan.kind,
            Scan.reason,
            HeldImage.digest,
            owed,
            Scan.matched_by_id,
            Scan.warnings,
        )
    ).first()
    if row is None:
        return None
    *told, matched_by, warnings = row
    is_own, notes = matched_by == viewer.account_id, tuple(json.loads(warnings))
    scanned_on, kind, reason, digest, readings_owed = told
    return ScanOfArrival(scanned_on, kind, reason, digest, readings_owed, is_own, notes)


def receiving_arrival(session: Session, viewer: Viewer, study_hash: str) -> int | None:
    """Return the arrival of a study of which more may come, or None."""
    asked = (
        visible_arrivals(viewer)
        .with_only_columns(ArrivalRow.id)
        .where(
            ArrivalRow.study_hash == study_hash,
            ArrivalRow.state == ArrivalState.RECEIVING.value,
        )
    )
    return session.execute(asked).scalar_one_or_none()


def arrivals_waiting(session: Session, viewer: Viewer) -> int:
    """Return how many arrivals wait for a person."""
    asked = visible_arrivals(viewer).where(ArrivalRow.state.in_([each.value for each in WAITING]))
    return session.execute(asked.with_only_columns(func.count(ArrivalRow.id))).scalar_one()


def add_arrival(session: Session, values: dict[str, Any]) -> int:
    """Keep a new arrival; return its number."""
    row = {"files": 0, "size_bytes": 0, "done": 0, "total": 0, "message": "", "tries": 0}
    made = session.execute(insert(ArrivalRow).values(row | {"version": 1} | values))
    key = made.inserted_primary_key  # type: ignore[attr-defined]
    return int(key[0])


def change_arrival(
    session: Session, arrival_id: int, states: Collection[ArrivalState], **values: object
) -> bool:
    """Change an arrival that is in one of these states; return whether it was."""
    found = session.execute(
        update(ArrivalRow)
        .where(ArrivalRow.id == arrival_id, ArrivalRow.state.in_([each.value for each in states]))
        .values(version=ArrivalRow.version + 1, **values)
        .execution_options(synchronize_session=False)
    )
    return bool(found.rowcount)  # type: ignore[attr-defined]


def count_file(session: Session, arrival_id: int, size_bytes: int, now: datetime) -> int | None:
    """Count one more file; return its number, or None where nothing more may come."""
    receiving = {ArrivalState.RECEIVING}
    counted = {
        "files": ArrivalRow.files + 1,
        "size_bytes": ArrivalRow.size_bytes + size_bytes,
        "last_at": now,
    }
    if not change_arrival(session, arrival_id, receiving, **counted):
        return None
    return session.execute(select(ArrivalRow.files).where(ArrivalRow.id == arrival_id)).scalar_one()
