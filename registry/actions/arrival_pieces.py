"""Take a file that comes in pieces, so that no request is large and none has to be sent twice."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.arrivals import MEGABYTE, NOTHING_MORE, take_file
from registry.domain.access import Deed, Reach, Viewer, require
from registry.domain.arrivals import ArrivalState
from registry.domain.problems import BadInputError, ConflictError, Fault, NotFoundError
from registry.store.queries.arrivals import kept_arrival
from registry.store.spool import in_blocks
from registry.store.spool_pieces import joined, pieces_of

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime
    from typing import BinaryIO

    from registry.store.home import Ledger
    from registry.store.queries.arrivals import KeptArrival
    from registry.store.spool_pieces import Pieces


@dataclass(frozen=True)
class Piece:
    """A part of a file, or all of it.

    Attributes
    ----------
    word : by which the sender knows the file; kept as a keyed digest alone
    start : bytes of the file before it
    length : its own
    size : of the whole file
    """

    word: str
    start: int
    length: int
    size: int

    @property
    def is_whole_file(self) -> bool:
        """Say whether nothing else of the file comes."""
        return self.start == 0 and self.length == self.size


def take_piece(
    ledger: Ledger, viewer: Viewer, arrival_id: int, piece: Piece, stream: BinaryIO, now: datetime
) -> int:
    """Take a piece; return how many bytes of its file are safe on the disk, from the beginning.

    With the last piece the file is counted. A piece, or a file, that is there already is not read
    again, so that a sender who heard no answer may simply send it once more.

    Raises
    ------
    BadInputError : it ended early, is longer than was said, or the arrival holds too much
    ConflictError : a piece before it is missing, or the arrival takes nothing more
    FailureError : the disk is full
    """
    arrival = _receiving(ledger, viewer, arrival_id)
    room = ledger.settings.largest_arrival_mb * MEGABYTE - arrival.size_bytes
    pieces = pieces_of(ledger.spool.room_of(arrival.token), piece.word)
    if piece.size > room - pieces.size_beside:
        raise BadInputError(
            Fault("more came in than one arrival may hold", mend="see `largest_arrival_mb`")
        )
    with pieces.held_alone():
        if pieces.is_done:
            return piece.size
        if piece.is_whole_file:
            take_file(ledger, viewer, arrival_id, stream, "", now, expected=piece.size)
            pieces.finish()
            return piece.size
        return _take_part(ledger, viewer, arrival_id, pieces, piece, stream, now)


def _take_part(  # noqa: PLR0917 - what the caller was given, and the pieces
    ledger: Ledger,
    viewer: Viewer,
    arrival_id: int,
    pieces: Pieces,
    piece: Piece,
    stream: BinaryIO,
    now: datetime,
) -> int:
    held = pieces.size
    if piece.start > held:
        raise ConflictError(
            Fault("a piece before this one is missing", mend="send the file from its beginning")
        )
    if piece.start == held and piece.length:
        blocks = in_blocks(stream, piece.length, piece.size - held)
        pieces.add(ledger.spool.within_room(blocks))
        held = pieces.size
    if held >= piece.size:
        whole = joined(pieces.blocks())
        take_file(ledger, viewer, arrival_id, whole, "", now, expected=piece.size)
        pieces.finish()
    return held


def held_of(
    ledger: Ledger, viewer: Viewer, arrival_id: int, words: Iterable[str]
) -> dict[str, int | None]:
    """Return by its word how much of each file is there; None where all of it is."""
    room = ledger.spool.room_of(_receiving(ledger, viewer, arrival_id).token)
    found: dict[str, int | None] = {}
    for word in words:
        pieces = pieces_of(room, word)
        found[word] = None if pieces.is_done else pieces.size
    return found


def _receiving(ledger: Ledger, viewer: Viewer, arrival_id: int) -> KeptArrival:
    require(viewer, Deed.LOAD_SCANS, at_least=Reach.ALL)
    with ledger.reading() as session:
        found = kept_arrival(session, viewer, arrival_id)
    if found is None:
        raise NotFoundError("there is no such arrival")
    if found.state is not ArrivalState.RECEIVING:
        raise ConflictError(NOTHING_MORE)
    return found
