"""Send files up, a piece a request: the script sends bodies as they are, never as a form.

A form of files would come as one body without an answer before its end, and taking it apart would
write its files to a temporary folder in the clear. So the page says that it needs scripts; without
them `load-ct` does the same from the shell.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, cast

from flask import Blueprint, render_template, request, url_for

from registry.actions.arrival_pieces import Piece, held_of, take_piece
from registry.actions.arrivals import open_arrival
from registry.domain.arrivals import ArrivalSource
from registry.domain.problems import BadInputError, Fault
from registry.web.context import current_ledger, current_viewer, now
from registry.web.pages.scans.sizes import MOST_ASKED, PIECE_BYTES
from registry.web.pages.scans.views import LOADERS

if TYPE_CHECKING:
    from typing import BinaryIO

    from flask.typing import ResponseReturnValue

sending = Blueprint("sending", __name__, url_prefix="/scans")


_WORD = re.compile(r"[0-9a-f]{32}")
_MOST_DIGITS = 13
_NOT_OURS = BadInputError(Fault("not as this page sends it", mend="open the page again"))


@sending.get("/add")
@LOADERS
def show() -> ResponseReturnValue:
    """Ask for the files of a scan."""
    return render_template("scans/add.html", piece_bytes=PIECE_BYTES, most_asked=MOST_ASKED)


@sending.post("/add")
@LOADERS
def begin() -> ResponseReturnValue:
    """Open an arrival for files; answer with its number."""
    opened = open_arrival(current_ledger(), current_viewer(), ArrivalSource.UPLOAD, now())
    return {"address": url_for("scans.show", arrival_id=opened)}


@sending.post("/<int:arrival_id>/held")
@LOADERS
def held(arrival_id: int) -> ResponseReturnValue:
    """Answer with how much of each file is there already; null where all of it is."""
    words = request.get_json()
    if not isinstance(words, list) or len(words) > MOST_ASKED or not all(map(_is_word, words)):
        raise _NOT_OURS
    return {"held": held_of(current_ledger(), current_viewer(), arrival_id, words)}


@sending.post("/<int:arrival_id>/files")
@LOADERS
def take(arrival_id: int) -> ResponseReturnValue:
    """Take a piece of a file; answer with how much of the file is safe on the disk."""
    piece, stream = _piece(), cast("BinaryIO", request.stream)
    there = take_piece(current_ledger(), current_viewer(), arrival_id, piece, stream, now())
    return {"held": there}


def _is_word(word: object) -> bool:
    return isinstance(word, str) and _WORD.fullmatch(word) is not None


def _piece() -> Piece:
    """Return what the headers say of the piece: never the file's name, which may name somebody."""
    word, length = request.headers.get("File-Word", ""), request.content_length
    if request.mimetype != "application/octet-stream" or not _is_word(word) or length is None:
        raise _NOT_OURS
    start, size = (_bytes(request.headers.get(name)) for name in ("File-Start", "File-Size"))
    if length > PIECE_BYTES or start + length > size or (size and not length):
        raise _NOT_OURS
    return Piece(word, start, length, size)


def _bytes(text: str | None) -> int:
    if text is None or not (text.isascii() and text.isdigit()) or len(text) > _MOST_DIGITS:
        raise _NOT_OURS
    return int(text)
