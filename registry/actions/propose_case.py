"""What the program proposes of a case's audit scan, for who may look at its readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.look_at_case import look_at_case
from registry.actions.propose import keep_proposal, worked_out
from registry.actions.proposed import note_shown
from registry.domain.access import Deed, require
from registry.domain.problems import BadInputError, ConflictError, FailureError, Fault
from registry.measure.proposals.documents import from_json
from registry.store.queries.proposals import kept_proposal, scans_to_propose
from registry.store.queries.reported import reported_case

if TYPE_CHECKING:
    from datetime import datetime

    from registry.actions.propose import Run
    from registry.domain.access import Viewer
    from registry.measure.proposals.records import ScanProposal
    from registry.store.home import Ledger
    from registry.store.queries.proposals import KeptProposal, ScanToPropose


@dataclass(frozen=True)
class CaseProposal:
    """The proposal of the scan that a case is counted on."""

    case_ref: str
    scan_id: int
    made_at: datetime
    proposal: ScanProposal


def proposal_of_case(
    ledger: Ledger, viewer: Viewer, case_ref: str, run: Run, now: datetime
) -> CaseProposal:
    """Return a case's proposal, worked out now where none is kept; it is kept who was shown it.

    Whoever was shown it reads none of the case's screws blind.

    Raises
    ------
    NotFoundError : no such case among the viewer's
    BadInputError : it has no audit scan, or that one's image is not held here
    FailureError : it could not be worked out; says why
    """
    require(viewer, Deed.SEE_CASES)
    with ledger.reading() as session:
        window = ledger.settings.audit_window_days
        case = reported_case(session, viewer, window, case_ref)
        wanted = [] if case.scan is None else [case.scan.scan_id]
        scans = scans_to_propose(session, wanted)
        kept = kept_proposal(session, scans[0]) if scans else None
    if not scans:
        what = "no scan that it is counted on" if case.scan is None else "images not held here"
        raise BadInputError(Fault(what, case_ref, "load its CT with `pedicle-ledger load-ct`"))
    if kept is None or not kept.is_present or kept.failure is not None:
        # What failed before is tried again: a person asks for it.
        kept = _make(ledger, viewer, scans[0], run, now)
    if kept.document is None:
        raise FailureError(f"the scan could not be worked out: {kept.failure}")
    look_at_case(ledger, viewer, case.case_id, now)
    with ledger.writing(viewer, now) as work:
        note_shown(work, viewer, kept.proposal_id, None, None)
    return CaseProposal(case_ref, scans[0].scan_id, kept.made_at, from_json(kept.document))


def _make(
    ledger: Ledger, viewer: Viewer, scan: ScanToPropose, run: Run, now: datetime
) -> KeptProposal:
    made = keep_proposal(ledger, viewer, scan, now, **worked_out(scan, run))
    if made is None or not made.is_present:
        raise ConflictError(
            Fault("the scan or the log changed while it was worked out", mend="ask again")
        )
    return made
