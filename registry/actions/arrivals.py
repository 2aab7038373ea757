"""What comes in: open an arrival, take its files, close it, drop it, look at it.

Nobody's work waits for another's: what is written here is outside the trail, and becomes a record
only where the worker attaches a scan.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.arrival_survey import ArrivalSurvey, Decision
from registry.domain.access import Deed, Reach, Viewer, require
from registry.domain.arrivals import ArrivalSource, ArrivalState
from registry.domain.problems import BadInputError, ConflictError, Fault, NotFoundError
from registry.store.queries import arrivals as kept
from registry.store.spool import in_blocks, new_token
from registry.store.vault import reference_hash

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from typing import BinaryIO

    from registry.store.home import Ledger
    from registry.store.queries.arrivals import KeptArrival

LISTED = 1000
MEGABYTE = 1_000_000
_MOST_FILES = 50_000
NOTHING_MORE = Fault(
    "nothing more can be added to it", mend="it was closed, cancelled or read already"
)


@dataclass(frozen=True)
class Arrival:
    """One lot of files on its way to becoming a scan.

    Attributes
    ----------
    opened_by : name of the account that sent it, fetched it or runs the receiver
    last_at : when something came, or the state changed, last
    files, size_bytes : taken so far
    done, total : of the step that is under way; total is 0 before it is known
    message : why it was refused, cancelled or failed, in words; else ''
    survey : what lies in it, once it was looked through
    decision : what a person chose, from then on until it has ended
    scan_id, case_ref : what it became, once it was read
    """

    arrival_id: int
    source: ArrivalSource
    opened_by: str
    opened_at: datetime
    last_at: datetime
    state: ArrivalState
    files: int
    size_bytes: int
    done: int
    total: int
    message: str
    survey: ArrivalSurvey | None
    decision: Decision | None
    scan_id: int | None
    case_ref: str | None
    version: int


def open_arrival(ledger: Ledger, viewer: Viewer, source: ArrivalSource, now: datetime) -> int:
    """Return a new arrival to which files can be added."""
    _require(viewer)
    with ledger.untracked() as session:
        return kept.add_arrival(session, _new(viewer, source, None, now))


def arrival_of_study(
    ledger: Ledger, viewer: Viewer, study_uid: str, source: ArrivalSource, now: datetime
) -> int:
    """Return the arrival of a study to which files can still be added, a new one where none is."""
    _require(viewer)
    hashed = reference_hash(ledger.keys.references, "study", study_uid)
    found = _receiving(ledger, viewer, hashed)
    if found is not None:
        return found
    try:
        with ledger.untracked() as session:
            return kept.add_arrival(session, _new(viewer, source, hashed, now))
    except ConflictError:
        # Another association of the same study came first.
        found = _receiving(ledger, viewer, hashed)
        if found is None:
            raise
        return found


def _receiving(ledger: Ledger, viewer: Viewer, hashed: str) -> int | None:
    with ledger.reading() as session:
        return kept.receiving_arrival(session, viewer, hashed)


def _new(
    viewer: Viewer, source: ArrivalSource, study_hash: str | None, now: datetime
) -> dict[str, object]:
    return {
        "token": new_token(),
        "source": source.value,
        "account_id": viewer.account_id,
        "study_hash": study_hash,
        "opened_at": now,
        "last_at": now,
        "state": ArrivalState.RECEIVING.value,
    }


def take_file(
    ledger: Ledger,
    viewer: Viewer,
    arrival_id: int,
    stream: BinaryIO,
    name: str,
    now: datetime,
    *,
    expected: int | None = None,
) -> int:
    """Take one file, or one zip, into an arrival; return its number there.

    Once this returns the file is on the disk, encrypted, and counted. `name` is only for what is
    said to the sender: it may hold an identity and is kept nowhere. `expected` is the file's length
    where the sender has said it.

    Raises
    ------
    BadInputError : it ended early, is longer than was said, or the arrival holds too much
    ConflictError : the arrival takes nothing more
    FailureError : the disk is full; what came before is all there
    """
    _require(viewer)
    before = _one(ledger, viewer, arrival_id)
    if before.state is not ArrivalState.RECEIVING:
        raise ConflictError(NOTHING_MORE)
    room = ledger.settings.largest_arrival_mb * MEGABYTE - before.size_bytes
    if before.files >= _MOST_FILES:
        raise BadInputError(Fault(f"an arrival holds at most {_MOST_FILES} files"))
    try:
        blocks = in_blocks(stream, expected, room)
        with ledger.spool.taking(before.token, blocks) as taken:
            number: int | None = None
            try:
                with ledger.untracked() as session:
                    number = kept.count_file(session, arrival_id, taken.size, now)
                    if number is not None:
                        taken.place(number)
            except BaseException:
                if number is not None:
                    taken.take_back(number)
                raise
    except BadInputError as error:
        faults = (Fault(fault.what, name, fault.mend) for fault in error.faults)
        raise BadInputError(*faults) from error
    if number is None:
        raise ConflictError(NOTHING_MORE)
    return number


def close_arrival(ledger: Ledger, viewer: Viewer, arrival_id: int, now: datetime) -> None:
    """Say that nothing more comes: the worker may look through it. Done twice, nothing happens.

    BadInputError where nothing came at all.
    """
    _require(viewer)
    arrival = _one(ledger, viewer, arrival_id)
    if arrival.state is ArrivalState.RECEIVING and not arrival.files:
        raise BadInputError(Fault("nothing has come in yet", mend="send a file, or cancel it"))
    received = {"state": ArrivalState.RECEIVED.value, "last_at": now}
    with ledger.untracked() as session:
        is_done = kept.change_arrival(session, arrival_id, {ArrivalState.RECEIVING}, **received)
    if not is_done and _one(ledger, viewer, arrival_id).state is ArrivalState.CANCELLED:
        raise ConflictError(Fault("it was cancelled in the meantime"))


def cancel_arrival(ledger: Ledger, viewer: Viewer, arrival_id: int, now: datetime) -> None:
    """Drop an arrival: its files and key are destroyed, whatever a worker is at.

    Done twice, nothing happens. ConflictError where it was read already: the scan is attached.
    """
    _require(viewer)
    arrival = _one(ledger, viewer, arrival_id)
    going = set(ArrivalState) - {ArrivalState.READ, ArrivalState.REFUSED, ArrivalState.CANCELLED}
    changes = {
        "state": ArrivalState.CANCELLED.value,
        "message": f"cancelled by {viewer.name}",
        "last_at": now,
        "lease_name": None,
        "lease_until": None,
        "decision": None,
    }
    with ledger.untracked() as session:
        is_cancelled = kept.change_arrival(session, arrival_id, going, **changes)
    if not is_cancelled and _one(ledger, viewer, arrival_id).state is ArrivalState.READ:
        raise ConflictError(
            Fault("it was read already, and is attached to its case", mend="nothing was changed")
        )
    if is_cancelled:
        ledger.spool.destroy(arrival.token)


def arrivals(ledger: Ledger, viewer: Viewer) -> Sequence[Arrival]:
    """Return the newest arrivals, ended ones as well."""
    _require(viewer)
    with ledger.reading() as session:
        return [shown(each) for each in kept.listed_arrivals(session, viewer, LISTED)]


def one_arrival(ledger: Ledger, viewer: Viewer, arrival_id: int) -> Arrival:
    """Return one arrival; NotFoundError where there is none that the viewer may see."""
    _require(viewer)
    return shown(_one(ledger, viewer, arrival_id))


def shown(found: KeptArrival) -> Arrival:
    """Return a kept arrival as it is looked at."""
    return Arrival(
        arrival_id=found.arrival_id,
        source=found.source,
        opened_by=found.opened_by,
        opened_at=found.opened_at,
        last_at=found.last_at,
        state=found.state,
        files=found.files,
        size_bytes=found.size_bytes,
        done=found.done,
        total=found.total,
        message=found.message,
        survey=None if found.survey is None else ArrivalSurvey.from_json(found.survey),
        decision=None if found.decision is None else Decision.from_json(found.decision),
        scan_id=found.scan_id,
        case_ref=found.case_ref,
        version=found.version,
    )


def _require(viewer: Viewer) -> None:
    require(viewer, Deed.LOAD_SCANS, at_least=Reach.ALL)


def _one(ledger: Ledger, viewer: Viewer, arrival_id: int) -> KeptArrival:
    with ledger.reading() as session:
        found = kept.kept_arrival(session, viewer, arrival_id)
    if found is None:
        raise NotFoundError("there is no such arrival")
    return found
