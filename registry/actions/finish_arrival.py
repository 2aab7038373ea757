"""Take an arrival all the way to its case: what a person decides on a page, said beforehand."""

from __future__ import annotations

from dataclasses import dataclass
from time import sleep
from typing import TYPE_CHECKING

from registry.actions.arrival_survey import Decision
from registry.actions.arrivals import one_arrival
from registry.actions.decide_arrival import case_offered, decide_arrival
from registry.actions.work_arrivals import work_once
from registry.domain.arrivals import WORKED_ON, ArrivalState
from registry.domain.problems import BadInputError, Fault
from registry.domain.scans import ScanReason

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from registry.actions.arrivals import Arrival
    from registry.domain.access import Viewer
    from registry.domain.scans import ScanKind
    from registry.store.home import Ledger

_LOOK_SECONDS = 0.1


@dataclass(frozen=True)
class SaidBeforehand:
    """What was said of the scan before it was looked at; None where the rule decides.

    Attributes
    ----------
    series : number in the list of what came
    patient_because : why it is the case's patient's although the files say otherwise
    """

    case_ref: str
    kind: ScanKind | None = None
    reason: ScanReason | None = None
    series: int | None = None
    patient_because: str = ""


def finish_arrival(
    ledger: Ledger,
    viewer: Viewer,
    arrival_id: int,
    said: SaidBeforehand,
    clock: Callable[[], datetime],
) -> Arrival:
    """Look through a closed arrival, decide on it as was said, read it; return what it became.

    Where a worker runs beside it the two share the work. An arrival that cannot be read as was
    said goes on waiting for a person.

    Raises
    ------
    BadInputError : nothing in it can be read, or something speaks against the case or the kind
    """
    found = _worked(ledger, viewer, arrival_id, clock)
    if found.state is ArrivalState.LOOKED_THROUGH:
        decision = _decision(ledger, viewer, found, said)
        decide_arrival(ledger, viewer, arrival_id, decision, clock())
        found = _worked(ledger, viewer, arrival_id, clock)
    if found.state is not ArrivalState.READ:
        raise BadInputError(
            Fault(found.message or f"it is {found.state}", f"arrival {arrival_id}", _mend(found))
        )
    return found


def _mend(found: Arrival) -> str:
    return "it waits for a decision" if found.state.waits_for_a_person else "nothing was kept"


def _decision(ledger: Ledger, viewer: Viewer, found: Arrival, said: SaidBeforehand) -> Decision:
    where = f"arrival {found.arrival_id}"
    number = said.series or (None if found.survey is None else found.survey.chosen)
    if number is None:
        raise BadInputError(
            Fault("no series in it can be read", where, "it waits; see why on its page")
        )
    offered = case_offered(ledger, viewer, found.arrival_id, number, said.case_ref)
    kind = said.kind or offered.kind
    if kind is None:
        raise BadInputError(
            Fault(
                "by the days it may be an intra-operative 3D image or a post-operative CT",
                "--kind",
                f"say which; it waits as {where}",
            )
        )
    reason = said.reason or ScanReason.NOT_STATED
    return Decision(number, offered.case_id, kind, reason, said.patient_because)


def _worked(
    ledger: Ledger, viewer: Viewer, arrival_id: int, clock: Callable[[], datetime]
) -> Arrival:
    """Return the arrival once no worker has anything to do on it; work at it meanwhile."""
    while True:
        found = one_arrival(ledger, viewer, arrival_id)
        if found.state not in WORKED_ON:
            return found
        if not work_once(ledger, clock()):
            # Another worker has it in its hands.
            sleep(_LOOK_SECONDS)
