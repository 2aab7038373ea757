"""Work out what the program proposes of a scan, and keep it.

The state of the ledger is the truth: a scan that a case is counted on, whose image is held here,
and that has no proposal by this version for this log, is owed one. A step can be run again without
harm; whoever is killed at it leaves nothing, and the next begins it again.
"""

from __future__ import annotations

import secrets
from datetime import timedelta
from typing import TYPE_CHECKING

from registry.domain.problems import ConflictError, ProblemError
from registry.measure.proposals.records import VERSION
from registry.store.models.proposals import ProposalRow
from registry.store.queries import proposals as queries

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime
    from typing import TypeAlias

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.queries.proposals import KeptProposal, ScanToPropose

    Run: TypeAlias = Callable[[ScanToPropose], str]
    """Works a scan's proposal out and returns its document; a ProblemError says why it cannot."""

LIMIT_SECONDS = 300.0
"""What takes longer has failed, in words; ours, no source."""
LEASE_SECONDS = LIMIT_SECONDS + 60.0
MOST_TRIES = 3
PROGRAM = "the program"
"""As whom the trail knows the worker."""
_LONGEST_FAILURE = 500


class StoppedError(Exception):
    """Who works it out was told to stop."""


class ProposalWorker:
    """Works out one proposal after another, until none is owed.

    Parameters
    ----------
    run : works one out
    worker : a name that no other worker has; several may work at one ledger
    """

    def __init__(self, ledger: Ledger, run: Run, *, worker: str | None = None) -> None:
        self._ledger, self._run = ledger, run
        self._name = worker or secrets.token_hex(8)
        self._quiet_at = -1

    def once(self, now: datetime) -> bool:
        """Work out one that is owed, if any is; return whether one was."""
        with self._ledger.reading() as session:
            length = queries.trail_length(session)
            if length == self._quiet_at:
                return False
            owed = queries.owed_proposals(session, self._ledger.settings.audit_window_days)
        if not owed:
            self._quiet_at = length
        return any(self._took(scan, now) for scan in owed)

    def _took(self, scan: ScanToPropose, now: datetime) -> bool:
        tries = self._take(scan, now)
        if tries is None:
            return False
        if tries > MOST_TRIES:
            # What ends the process would otherwise do so again for ever.
            failure = f"the program ended {MOST_TRIES} times while it was at it"
            keep_proposal(self._ledger, PROGRAM, scan, now, failure=failure, worker=self._name)
            return True
        try:
            found = worked_out(scan, self._run)
        except StoppedError:
            with self._ledger.untracked() as session:
                queries.give_try_back(session, scan.scan_id, self._name)
            return True
        except BaseException:
            with self._ledger.untracked() as session:
                queries.let_proposal_go(session, scan.scan_id, self._name, is_done=False)
            raise
        keep_proposal(self._ledger, PROGRAM, scan, now, worker=self._name, **found)
        return True

    def _take(self, scan: ScanToPropose, now: datetime) -> int | None:
        until = now + timedelta(seconds=LEASE_SECONDS)
        try:
            with self._ledger.untracked() as session:
                return queries.take_proposal(session, scan.scan_id, self._name, now, until)
        except ConflictError:
            return None


def worked_out(scan: ScanToPropose, run: Run) -> dict[str, str]:
    """Return the document, or the one line of why there is none."""
    try:
        return {"document": run(scan)}
    except ProblemError as problem:
        return {"failure": "; ".join(problem.lines())[:_LONGEST_FAILURE]}


def keep_proposal(
    ledger: Ledger,
    viewer: Viewer | str,
    scan: ScanToPropose,
    now: datetime,
    *,
    document: str | None = None,
    failure: str | None = None,
    worker: str | None = None,
) -> KeptProposal | None:
    """Keep what came of a scan in place of what stood, unless image or log are others by now.

    A worker whose turn another has taken meanwhile keeps nothing. Returns what stands.
    """
    with ledger.writing(viewer, now) as work:
        is_theirs = worker is None or queries.let_proposal_go(
            work.session, scan.scan_id, worker, is_done=True
        )
        present = queries.scans_to_propose(work.session, [scan.scan_id])
        if not is_theirs or present != [scan]:
            return queries.kept_proposal(work.session, present[0]) if present else None
        before = queries.kept_proposal(work.session, scan)
        if before is not None and before.is_present and before.failure is None:
            # Somebody at the shell asked for it meanwhile.
            return before
        if before is not None:
            work.update(ProposalRow, "replace a proposal", before.proposal_id, replaced_at=now)
        work.insert(
            ProposalRow,
            "propose" if failure is None else "fail to propose",
            scan_id=scan.scan_id,
            image_digest=scan.image_digest,
            log_digest=scan.log_digest,
            algorithm=VERSION,
            made_at=now,
            document=document,
            failure=failure,
        )
        work.flush_rows()
        return queries.kept_proposal(work.session, scan)
