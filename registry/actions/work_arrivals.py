"""What the worker does: looks through what came in, and reads what a person has decided on.

The state of an arrival's row is the truth. A step that was cut off is begun again from it by
whoever takes the arrival next; what a step comes to is written in one transaction, the scan's own.
"""

from __future__ import annotations

import secrets
from datetime import timedelta
from typing import TYPE_CHECKING

from registry.actions.held_arrival import LEASE_SECONDS, HeldArrival, LetGoError
from registry.actions.look_through import look_through
from registry.actions.read_arrival import read_arrival
from registry.domain.arrivals import ArrivalState
from registry.domain.problems import ProblemError
from registry.store.queries import working_arrivals as queries

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from registry.store.home import Ledger

_MOST_TRIES = 3
_TOO_LARGE = "it takes more memory than the program may have; send less, or unpacked"
_STEPS = {ArrivalState.RECEIVED: look_through, ArrivalState.TO_BE_READ: read_arrival}


def work_once(
    ledger: Ledger,
    now: datetime,
    *,
    worker: str | None = None,
    should_stop: Callable[[], bool] = lambda: False,
) -> bool:
    """Do one step of one arrival, if any waits for it; return whether one did.

    Whatever it raises beyond a `ProblemError` is a fault of ours; the arrival is then begun again a
    few times and after that has failed.

    Parameters
    ----------
    worker : a name that no other worker has; several may work at one ledger
    should_stop : asked between files and slices; a step that is stopped is begun again by the next
    """
    name = worker or secrets.token_hex(8)
    _tidy(ledger, now)
    with ledger.reading() as session:
        if not queries.is_work_there(session, now):
            return False
    with ledger.untracked() as session:
        row = queries.take_next(session, name, now, now + timedelta(seconds=LEASE_SECONDS))
    if row is None:
        return False
    held = HeldArrival(ledger, row, name, now, should_stop)
    try:
        _step(held)
    except LetGoError:
        held.give_back()
    except BaseException:
        held.let_go()
        raise
    return True


def _step(held: HeldArrival) -> None:
    if held.row.tries > _MOST_TRIES:
        # What ends the process, or is a fault of ours, would otherwise do so again for ever.
        held.finish(
            ArrivalState.FAILED, f"the program ended {_MOST_TRIES} times while it was at it"
        )
        return
    try:
        _STEPS[held.row.state](held)
    except ProblemError as error:
        held.finish(ArrivalState.FAILED, "; ".join(error.lines()))
    except MemoryError:
        held.finish(ArrivalState.FAILED, _TOO_LARGE)


def _tidy(ledger: Ledger, now: datetime) -> None:
    """Close what has gone quiet, drop what nobody came for, destroy what has ended."""
    # Before the rows: an arrival has its first file only after its row, so that whatever is seen
    # here and has no living row has ended.
    there = ledger.spool.tokens()
    quiet = now - timedelta(seconds=ledger.settings.quiet_seconds)
    since = now - timedelta(days=ledger.settings.arrival_days)
    with ledger.reading() as session:
        late = queries.expired(session, since)
        is_quiet = queries.is_quiet_there(session, quiet)
    if late or is_quiet:
        with ledger.untracked() as session:
            queries.close_quiet(session, now, quiet)
            for each in late:
                queries.drop(session, each, since, _why_dropped(ledger, each))
    with ledger.reading() as session:
        gone = there - queries.living_tokens(session)
    for token in gone:
        ledger.spool.destroy(token)
    ledger.spool.sweep_parts()


def _why_dropped(ledger: Ledger, late: queries.LateArrival) -> str:
    days = f"within {ledger.settings.arrival_days} days"
    if late.state is ArrivalState.RECEIVING:
        return f"dropped: it did not come in whole {days}"
    before = f"{late.message}; " if late.message else ""
    return f"{before}dropped: nobody decided {days}"
