"""Show a reader what the program proposes, so that it never leads them.

The axis is proposed at once, without an extent. What was measured is shown after the reader's own
reading of that screw is saved, or at once where the unit chose so and the reading is a first one;
that it was shown is kept, and a reading made afterwards is marked by it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.read_again import read_again
from registry.domain.access import Deed, Reach, require
from registry.domain.directions import Side
from registry.domain.levels import LEVELS
from registry.domain.problems import ConflictError, Fault, NotFoundError
from registry.domain.readings import ProposalExtents
from registry.measure.proposals.documents import from_json
from registry.store.models.proposals import ProposalShown
from registry.store.queries.proposals import kept_proposal, scans_to_propose
from registry.store.queries.proposed import (
    proposal_seen,
    screw_of_assignment,
    screw_of_reading,
    was_shown,
)
from registry.store.queries.readings import own_readings_of

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.measure.proposals.records import ProposedScrew, ScanProposal
    from registry.store.home import Ledger
    from registry.store.queries.proposals import KeptProposal
    from registry.store.queries.proposed import ScrewToPropose
    from registry.store.queries.readings import OwnReading
    from registry.store.writing import Writing

NOT_YET = "nothing has been worked out for this scan yet"
NOT_FOUND = "the program did not find this screw"
LEFT_OPEN = "the program could not work this scan out: {}"
_SIDES = {"left": Side.LEFT, "right": Side.RIGHT}


@dataclass(frozen=True)
class Proposed:
    """What there is of one screw.

    Attributes
    ----------
    screw : what the program found, None where it found nothing
    why_not : in words, '' where it did
    notes : of the scan, what to know before trusting it
    """

    screw: ProposedScrew | None = None
    why_not: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class ProposedForDesk:
    """What the desk may draw of a screw that is to be read.

    Attributes
    ----------
    found : of this screw; whoever hands it on leaves the extents out unless they are shown
    extents_are_shown : the reader may see what was measured, and it is kept that they did
    """

    found: Proposed
    extents_are_shown: bool


@dataclass(frozen=True)
class OwnBeside:
    """A reader's own reading, and beside it what the program measured."""

    reading: OwnReading
    proposed: Proposed


def proposed_for_desk(
    ledger: Ledger, viewer: Viewer, assignment_id: int, now: datetime, *, is_ahead: bool = False
) -> ProposedForDesk:
    """Return what is proposed of the screw of an owed reading.

    `is_ahead` is for a desk that is not open yet: nothing is shown, so nothing is kept of it.

    Raises
    ------
    NotFoundError : the reading is not the viewer's to make, or not any more
    """
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    with ledger.reading() as session:
        screw = screw_of_assignment(session, viewer, assignment_id)
        if screw is None:
            raise NotFoundError("this reading is not yours to make, or has been made")
        kept, proposal = _kept(ledger, screw)
        has_seen = proposal_seen(session, viewer, screw.screw_id, screw.scan_id) is not None
    found = _of_screw(proposal, kept, screw)
    at_once = ledger.settings.proposal_extents is ProposalExtents.AT_ONCE and screw.is_first
    # Who makes a reading of their own again sees what they had been shown before.
    is_shown = found.screw is not None and (at_once or (has_seen and screw.reading_id is not None))
    if is_shown and kept is not None and not is_ahead:
        _note_shown(ledger, viewer, kept, screw, now)
    return ProposedForDesk(found, is_shown)


def own_beside_proposed(
    ledger: Ledger, viewer: Viewer, reading_id: int, now: datetime
) -> OwnBeside:
    """Return a reader's own reading with what the program measured; it is kept that it was shown.

    Raises
    ------
    NotFoundError : it is no reading of the viewer's that stands, or its image is not held here
    """
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    with ledger.reading() as session:
        screw = screw_of_reading(session, viewer, reading_id)
        own = own_readings_of(session, viewer, reading_id)
    if screw is None or not own:
        raise NotFoundError("this is no reading of yours that stands on images held here")
    kept, proposal = _kept(ledger, screw)
    found = _of_screw(proposal, kept, screw)
    if found.screw is not None and kept is not None:
        _note_shown(ledger, viewer, kept, screw, now)
    return OwnBeside(own[0], found)


def is_proposed(ledger: Ledger, viewer: Viewer, reading_id: int) -> bool:
    """Return whether there is something to show beside a reading that was just saved.

    Not where its reader had been shown it before.
    """
    with ledger.reading() as session:
        screw = screw_of_reading(session, viewer, reading_id)
        if screw is None or proposal_seen(session, viewer, screw.screw_id, screw.scan_id):
            return False
    kept, proposal = _kept(ledger, screw)
    return _of_screw(proposal, kept, screw).screw is not None


def read_again_with_proposal(
    ledger: Ledger, viewer: Viewer, reading_id: int, reason: str, now: datetime
) -> int:
    """Let a reader change a reading of their own once its proposal was shown; see `read_again`.

    Raises
    ------
    ConflictError : its proposal was not shown, or as `read_again`
    NotFoundError, BadInputError : as `read_again`
    """
    with ledger.reading() as session:
        screw = screw_of_reading(session, viewer, reading_id)
        seen = screw and proposal_seen(session, viewer, screw.screw_id, screw.scan_id)
    if screw is not None and seen is None:
        raise ConflictError(
            Fault("the proposal of this screw was not shown yet", mend="open its page first")
        )
    return read_again(ledger, viewer, reading_id, reason, now)


def _kept(ledger: Ledger, screw: ScrewToPropose) -> tuple[KeptProposal | None, ScanProposal | None]:
    with ledger.reading() as session:
        scans = scans_to_propose(session, [screw.scan_id])
        kept = kept_proposal(session, scans[0]) if scans else None
    if kept is None or not kept.is_present:
        # What was worked out for another log, or by another version, is not shown.
        return None, None
    return kept, from_json(kept.document) if kept.document else None


def _of_screw(
    proposal: ScanProposal | None, kept: KeptProposal | None, screw: ScrewToPropose
) -> Proposed:
    if kept is not None and kept.failure is not None:
        return Proposed(why_not=LEFT_OPEN.format(kept.failure))
    if proposal is None:
        return Proposed(why_not=NOT_YET)
    place = (screw.level, screw.side, screw.number)
    for each in proposal.screws:
        if (each.logged.level, each.logged.side, each.logged.number) == place:
            return Proposed(each, notes=notes_of(proposal.notes, screw.level, screw.side))
    notes = notes_of(proposal.notes, screw.level, screw.side)
    return Proposed(why_not=NOT_FOUND, notes=notes)


def notes_of(notes: Iterable[str], level: str, side: str) -> tuple[str, ...]:
    """Return the notes of a scan that its reader may see beside one screw.

    One that names other screws alone would tell of them before they are read: that one lies near
    the middle line is as good as an extent.
    """
    return tuple(note for note in notes if _is_told(note, level, side))


def _is_told(note: str, level: str, side: str) -> bool:
    named = [each.code for each in LEVELS if re.search(rf"\b{re.escape(each.code)}\b", note)]
    sides = {_SIDES[word] for word in re.findall(r"\b(?:left|right)\b", note)}
    # What names no level is of the whole scan.
    return not named or (level in named and (not sides or side in sides))


def _note_shown(
    ledger: Ledger, viewer: Viewer, kept: KeptProposal, screw: ScrewToPropose, now: datetime
) -> None:
    with ledger.reading() as session:
        if was_shown(session, viewer, kept.proposal_id, screw.screw_id):
            return
    with ledger.writing(viewer, now) as work:
        note_shown(work, viewer, kept.proposal_id, screw.screw_id, screw.reading_id)


def note_shown(
    work: Writing, viewer: Viewer, proposal_id: int, screw_id: int | None, reading_id: int | None
) -> None:
    """Keep that an account was shown a proposal, of a screw or of all; once."""
    if was_shown(work.session, viewer, proposal_id, screw_id):
        return
    work.insert(
        ProposalShown,
        "show a proposal",
        proposal_id=proposal_id,
        screw_id=screw_id,
        account_id=viewer.account_id,
        reading_id=reading_id,
        shown_at=work.now,
    )
