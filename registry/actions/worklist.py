"""What a reader has to do, and nothing that would unblind them."""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, Viewer, require
from registry.domain.problems import NotFoundError
from registry.domain.readings import ReadingRole
from registry.store.queries.assignments import OwedReading, owed_readings
from registry.store.queries.drawn_scans import must_practise

if TYPE_CHECKING:
    from datetime import datetime
    from decimal import Decimal

    from registry.store.home import Ledger


_ADJUDICATION = ReadingRole.ADJUDICATION.value
_READING = "reading"


@dataclass(frozen=True)
class BlindScrew:
    """A screw to be read, as its reader may know it.

    Attributes
    ----------
    assignment_id : names the owed reading
    level, side, number : which screw
    diameter_mm : as catalogued, None where not known
    role : reading or adjudication; whether it is the second is not told, for most seconds are
        asked for because of what the first found
    waiting_days : since the reading was asked for
    is_last : the viewer entered the case, matched its scan or looked at it, so others are offered
        it first and the reading is not blind
    image_digest : of the image it is read on
    is_practice : the screw is drawn, and the truth is shown once it is read
    """

    assignment_id: int
    level: str
    side: str
    number: int
    diameter_mm: Decimal | None
    role: str
    waiting_days: int
    is_last: bool
    image_digest: str
    is_practice: bool = False


def worklist(
    ledger: Ledger, viewer: Viewer, now: datetime, *, in_practice: bool | None = None
) -> list[BlindScrew]:
    """Return the owed readings that a viewer may take on, scan by scan.

    The order of the scans is another for each reader and tells nothing; what the viewer entered
    or matched comes last. `in_practice` takes practice screws alone, or none; where it is not said
    a reader who has to practise first is offered nothing else.
    """
    return [_blind(item, now) for item in offered(ledger, viewer, in_practice=in_practice)]


def offered(
    ledger: Ledger, viewer: Viewer, *, in_practice: bool | None = None
) -> list[OwedReading]:
    """Return what `worklist` is made of, in its order."""
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    with ledger.reading() as session:
        found = owed_readings(session, viewer, with_drawn=True)
        if in_practice is None:
            in_practice = must_practise(session, ledger.settings, viewer)
    owed = [each for each in found if each.is_practice == in_practice]
    key = ledger.keys.references

    def order(item: OwedReading) -> tuple[bool, bytes]:
        text = f"order|{viewer.account_id}|{item.scan_id}".encode()
        return item.is_known_to_viewer, hmac.new(key, text, hashlib.sha256).digest()

    return sorted(owed, key=order)


def following(owed: list[BlindScrew], digest: str) -> BlindScrew | None:
    """Return what is read after a screw on an image: one on the same image, else the first."""
    same_scan = next((screw for screw in owed if screw.image_digest == digest), None)
    return same_scan or next(iter(owed), None)


def following_screw(
    ledger: Ledger, viewer: Viewer, assignment_id: int, now: datetime, read_by_then: int | None
) -> BlindScrew | None:
    """Return what would be read after an owed reading, as things stand; None where nothing.

    `read_by_then` is another owed reading that will have been made before it.
    """
    this = blind_screw(ledger, viewer, assignment_id, now)
    owed = worklist(ledger, viewer, now, in_practice=this.is_practice)
    others = [each for each in owed if each.assignment_id not in {assignment_id, read_by_then}]
    return following(others, this.image_digest)


def blind_screw(ledger: Ledger, viewer: Viewer, assignment_id: int, now: datetime) -> BlindScrew:
    """Return one owed reading; NotFoundError where it is not (any more) the viewer's to make."""
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    with ledger.reading() as session:
        owed = owed_readings(session, viewer, assignment_id, with_drawn=True)
        if not owed:
            raise NotFoundError(
                "this reading is not yours to make, or has been made; see the worklist"
            )
        if not owed[0].is_practice and must_practise(session, ledger.settings, viewer):
            raise NotFoundError("practice screws come before the unit's own; see the worklist")
    return _blind(owed[0], now)


def _blind(item: OwedReading, now: datetime) -> BlindScrew:
    return BlindScrew(
        assignment_id=item.assignment_id,
        level=item.level,
        side=item.side,
        number=item.number,
        diameter_mm=item.diameter_mm,
        role=_ADJUDICATION if item.role == _ADJUDICATION else _READING,
        waiting_days=(now - item.asked_at).days,
        is_last=item.is_known_to_viewer,
        image_digest=item.image_digest,
        is_practice=item.is_practice,
    )
