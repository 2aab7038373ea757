"""What was worked out from the ledger's records, kept for as long as they stand as they are.

Every change of a record is an event, so the trail's last digest says whether anything has changed.
"""

from __future__ import annotations

from threading import RLock
from typing import TYPE_CHECKING, Generic, TypeVar

from sqlalchemy import select

from registry.store.models.trail import TrailHead

if TYPE_CHECKING:
    from collections.abc import Callable

    from sqlalchemy.orm import Session

Found = TypeVar("Found")


class WorkedOut(Generic[Found]):
    """One result, with the end of the trail that it belongs to; threads take turns."""

    def __init__(self) -> None:
        self._turn = RLock()
        self._kept: tuple[tuple[int, str], Found] | None = None

    def get(self, session: Session, make: Callable[[], Found]) -> Found:
        """Return what was made of the records that the session reads, now or before.

        `make` makes it, from the same session; nobody changes what it returned.
        """
        head = session.execute(select(TrailHead.length, TrailHead.head)).one()
        end = (head[0], head[1])
        with self._turn:
            if self._kept is not None and self._kept[0] == end:
                return self._kept[1]
            # What is out of date goes first: both at once might not fit.
            self._kept = None
            made = make()
            self._kept = (end, made)
            return made
