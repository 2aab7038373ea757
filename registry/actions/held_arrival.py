"""One arrival in a worker's hands: how far it is, whether it is still its own, what it came to."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from time import monotonic
from typing import TYPE_CHECKING, Any

from registry.domain.arrivals import ArrivalState
from registry.store.queries import working_arrivals as queries

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from registry.store.home import Ledger
    from registry.store.queries.working_arrivals import WorkedArrival
    from registry.store.writing import Writing

LEASE_SECONDS = 120
"""A worker that does not say within this that it goes on is taken for dead; ours, no source."""

TOLD_EVERY_SECONDS = 0.4


class LetGoError(Exception):
    """The arrival is not this worker's any more, or the worker was told to stop."""


@dataclass
class HeldArrival:
    """An arrival that a worker holds, from `began_at` by the clock that was handed in."""

    ledger: Ledger
    row: WorkedArrival
    worker: str
    began_at: datetime
    should_stop: Callable[[], bool]
    _began: float = field(default_factory=monotonic)
    _told: float = 0.0

    @property
    def now(self) -> datetime:
        """The present instant: the one that was handed in, and what has passed since."""
        return self.began_at + timedelta(seconds=monotonic() - self._began)

    def tell(self, done: int, total: int) -> None:
        """Say how far it is, at most a few times a second; LetGoError where it is to end.

        `total` is 0 where nobody knows it yet.
        """
        if self.should_stop():
            raise LetGoError
        if monotonic() - self._told < TOLD_EVERY_SECONDS and done != total:
            return
        self._told = monotonic()
        until = self.now + timedelta(seconds=LEASE_SECONDS)
        with self.ledger.untracked() as session:
            is_held = queries.change_held(
                session, self.row, self.worker, done=done, total=total, lease_until=until
            )
        if not is_held:
            raise LetGoError

    def finish(self, state: ArrivalState, message: str = "", **values: Any) -> None:  # noqa: ANN401 - columns differ in kind
        """Write what the step came to; LetGoError where it is not this worker's any more."""
        values |= {"message": message, "last_at": self.now}
        with self.ledger.untracked() as session:
            is_held = queries.finish_step(session, self.row, self.worker, state, **values)
        if not is_held:
            raise LetGoError
        if state.is_ended:
            self.ledger.spool.destroy(self.row.token)

    def finish_within(self, work: Writing, message: str, scan_id: int, survey: str) -> None:
        """Write it in the transaction in which its scan is attached: both stand, or neither.

        `survey` says of its series which one was read.
        Its files are for the caller to destroy once that transaction has ended.
        """
        # What was typed stays in the event alone, where a withdrawal is told of it.
        values: dict[str, Any] = {"message": message, "scan_id": scan_id, "decision": None}
        values |= {"last_at": self.now, "survey": survey}
        state = ArrivalState.READ
        if not queries.finish_step(work.session, self.row, self.worker, state, **values):
            raise LetGoError

    def give_back(self) -> None:
        """Let it go as it was taken, for whoever takes it next."""
        with self.ledger.untracked() as session:
            queries.let_go(session, self.row, self.worker, tries=self.row.tries - 1)

    def let_go(self) -> None:
        """Let it go after a failure that nobody foresaw; the try counts."""
        with self.ledger.untracked() as session:
            queries.let_go(session, self.row, self.worker, tries=self.row.tries)
