"""Have a reading made again: by its own reader with a reason, or by another person.

Nothing is edited: what is read again becomes a reading that replaces the earlier one, and says
why. Until it is made the earlier one counts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.assign import ask_to_replace
from registry.domain.access import Deed, Reach, Viewer, require
from registry.domain.problems import ConflictError, Fault, NotAllowedError, NotFoundError
from registry.store.queries.readings import OwnReading, own_readings_of, reading_in_sight

if TYPE_CHECKING:
    from datetime import datetime

    from registry.store.home import Ledger


def my_readings(ledger: Ledger, viewer: Viewer) -> list[OwnReading]:
    """Return what a reader has read, the latest first; as blind as it was read."""
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    with ledger.reading() as session:
        return own_readings_of(session, viewer)


def read_again(ledger: Ledger, viewer: Viewer, reading_id: int, reason: str, now: datetime) -> int:
    """Let a reader replace a reading of their own; return the assignment to go on with.

    Raises
    ------
    NotFoundError : it is not the viewer's
    ConflictError : it was replaced, is asked for already, or its image is not held here
    BadInputError : no reason
    """
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    with ledger.writing(viewer, now) as work:
        found = own_readings_of(work.session, viewer, reading_id)
        if not found:
            raise NotFoundError("this is no reading of yours that stands")
        if not found[0].can_be_replaced:
            raise ConflictError(
                Fault(
                    "this reading cannot be made again: it is asked for already, was replaced, or "
                    "its images are not held here",
                    mend="look at the worklist",
                )
            )
        return ask_to_replace(work, reading_id, reader_id=viewer.person_id, reason=reason)


def ask_another_reader(
    ledger: Ledger, viewer: Viewer, reading_id: int, reason: str, now: datetime
) -> int:
    """Ask for a reading to be made again by somebody who has not read the screw.

    Raises
    ------
    NotFoundError : it is not among those that the viewer may look at
    NotAllowedError : the viewer operated or assisted in the case
    ConflictError : it was replaced, is asked for already, or its image is not held here
    BadInputError : no reason
    """
    require(viewer, Deed.ORDER_READINGS, at_least=Reach.ALL)
    with ledger.writing(viewer, now) as work:
        found = reading_in_sight(work.session, viewer, reading_id)
        if found is None:
            raise NotFoundError("there is no such reading among those you may see")
        if found.viewer_took_part:
            raise NotAllowedError(
                "you operated or assisted in this case: ask by your right of reply, or let another "
                "lead have it read again"
            )
        if not found.is_held_here:
            raise ConflictError(
                Fault(
                    "this reading cannot be made again here: its images are held elsewhere",
                    mend="have it read there",
                )
            )
        return ask_to_replace(work, reading_id, reader_id=None, reason=reason)
