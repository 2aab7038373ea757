"""What the worker asks and changes: it takes one arrival at a time, and holds it by a lease.

A lease is a change of the row that only one worker can have made; whoever does not renew it in time
has died or been held up, and another goes on from what the row says.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from sqlalchemy import and_, or_, select, update

from registry.domain.arrivals import ENDED, WORKED_ON, ArrivalSource, ArrivalState
from registry.store.models.arrivals import ArrivalRow
from registry.store.models.people import Account

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import datetime

    from sqlalchemy import ColumnElement
    from sqlalchemy.orm import Session

_FREE = {"lease_name": None, "lease_until": None}


@dataclass(frozen=True)
class WorkedArrival:
    """An arrival as the worker that holds it sees it.

    Attributes
    ----------
    tries : times that a worker has begun this step, this one included
    decided_by : name of the account that decided, None before that
    """

    arrival_id: int
    token: str = field(repr=False)
    state: ArrivalState
    files: int
    survey: str | None
    decision: str | None
    decided_by: str | None
    tries: int


def _in(states: Collection[ArrivalState]) -> ColumnElement[bool]:
    return ArrivalRow.state.in_([each.value for each in states])


def _quiet(since: datetime) -> tuple[ColumnElement[bool], ...]:
    return (
        _in({ArrivalState.RECEIVING}),
        ArrivalRow.source == ArrivalSource.RECEIVER.value,
        ArrivalRow.files > 0,
        ArrivalRow.last_at < since,
    )


def _is_free(now: datetime) -> ColumnElement[bool]:
    return or_(ArrivalRow.lease_until.is_(None), ArrivalRow.lease_until < now)


def close_quiet(session: Session, now: datetime, since: datetime) -> int:
    """Close what was sent here and of which nothing came since then; return how many."""
    found = session.execute(
        update(ArrivalRow)
        .where(*_quiet(since))
        .values(state=ArrivalState.RECEIVED.value, last_at=now, version=ArrivalRow.version + 1)
        .execution_options(synchronize_session=False)
    )
    return int(found.rowcount)  # type: ignore[attr-defined]


def is_quiet_there(session: Session, since: datetime) -> bool:
    """Return whether `close_quiet` would close anything."""
    return session.execute(select(ArrivalRow.id).where(*_quiet(since)).limit(1)).first() is not None


def is_work_there(session: Session, now: datetime) -> bool:
    """Return whether an arrival waits for a worker."""
    asked = select(ArrivalRow.id).where(_in(WORKED_ON), _is_free(now)).limit(1)
    return session.execute(asked).first() is not None


@dataclass(frozen=True)
class LateArrival:
    """An arrival that waited too long."""

    arrival_id: int
    state: ArrivalState
    message: str


_LATE = frozenset({ArrivalState.RECEIVING, ArrivalState.LOOKED_THROUGH, ArrivalState.FAILED})


def expired(session: Session, since: datetime) -> list[LateArrival]:
    """Return what has waited for a person, or for more of it to come, since then."""
    rows = session.execute(
        select(ArrivalRow.id, ArrivalRow.state, ArrivalRow.message).where(
            _in(_LATE), ArrivalRow.last_at < since
        )
    )
    return [LateArrival(row[0], ArrivalState(row[1]), row[2]) for row in rows]


def drop(session: Session, late: LateArrival, since: datetime, message: str) -> None:
    """Refuse what waited too long, unless something has happened to it just now."""
    session.execute(
        update(ArrivalRow)
        .where(
            ArrivalRow.id == late.arrival_id,
            ArrivalRow.state == late.state.value,
            ArrivalRow.last_at < since,
        )
        .values(
            state=ArrivalState.REFUSED.value,
            message=message,
            decision=None,
            version=ArrivalRow.version + 1,
        )
        .execution_options(synchronize_session=False)
    )


def living_tokens(session: Session) -> set[str]:
    """Return the tokens of what has not ended: their files are kept."""
    return set(session.execute(select(ArrivalRow.token).where(~_in(ENDED))).scalars())


def take_next(
    session: Session, worker: str, now: datetime, until: datetime
) -> WorkedArrival | None:
    """Take the oldest arrival that no worker holds, until then; None where there is none."""
    # On PostgreSQL what another worker is just taking is passed over; on SQLite the transaction
    # has the file to itself.
    row = session.execute(
        select(ArrivalRow)
        .where(_in(WORKED_ON), _is_free(now))
        .order_by(ArrivalRow.last_at, ArrivalRow.id)
        .limit(1)
        .with_for_update(skip_locked=True)
    ).scalar_one_or_none()
    if row is None:
        return None
    row.lease_name, row.lease_until = worker, until
    row.tries += 1
    row.version += 1
    session.flush()
    decided_by = None
    if row.decided_by_id is not None:
        decided_by = session.execute(
            select(Account.name).where(Account.id == row.decided_by_id)
        ).scalar_one()
    return WorkedArrival(
        arrival_id=row.id,
        token=row.token,
        state=ArrivalState(row.state),
        files=row.files,
        survey=row.survey,
        decision=row.decision,
        decided_by=decided_by,
        tries=row.tries,
    )


def change_held(
    session: Session,
    held: WorkedArrival,
    worker: str,
    **values: Any,  # noqa: ANN401 - columns differ in kind
) -> bool:
    """Change an arrival that a worker still holds, in the state in which it took it.

    Return whether it did: it may have been cancelled, or another worker has taken it.
    """
    found = session.execute(
        update(ArrivalRow)
        .where(
            and_(
                ArrivalRow.id == held.arrival_id,
                ArrivalRow.lease_name == worker,
                ArrivalRow.state == held.state.value,
            )
        )
        .values(version=ArrivalRow.version + 1, **values)
        .execution_options(synchronize_session=False)
    )
    return bool(found.rowcount)  # type: ignore[attr-defined]


def let_go(session: Session, held: WorkedArrival, worker: str, *, tries: int) -> None:
    """Let an arrival go in the state in which it was taken, for whoever takes it next."""
    change_held(session, held, worker, tries=tries, **_FREE)


def finish_step(
    session: Session,
    held: WorkedArrival,
    worker: str,
    state: ArrivalState,
    **values: Any,  # noqa: ANN401 - columns differ in kind
) -> bool:
    """Take a held arrival to its next state and let it go; return whether it was still held."""
    return change_held(session, held, worker, state=state.value, tries=0, **_FREE, **values)
