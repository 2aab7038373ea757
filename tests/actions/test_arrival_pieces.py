"""A file that comes in pieces is whole and counted once, or not at all."""

from __future__ import annotations

import io
import os
import resource
import shutil
import threading

import pytest

from registry.actions.accounts import acting
from registry.actions.arrival_pieces import Piece, held_of, take_piece
from registry.actions.arrivals import cancel_arrival, close_arrival, one_arrival, open_arrival
from registry.domain.arrivals import ArrivalSource
from registry.domain.problems import BadInputError, ConflictError, NoRoomError
from registry.store.queries.arrivals import kept_arrival
from registry.store.spool_pieces import MOST_UNFINISHED
from tests.build.loaded import NOW

WORD = "Meyer^Anna.dcm 2500 1"
CONTENT = os.urandom(2500)


@pytest.fixture
def local(ledger):
    return acting(ledger, None)


@pytest.fixture
def arrival(ledger, local):
    return open_arrival(ledger, local, ArrivalSource.UPLOAD, NOW)


@pytest.fixture
def send(ledger, local, arrival):
    """Give `send(start, end)`: the piece of the content between them goes up."""

    def piece(start, end, *, word=WORD, content=CONTENT, cut=0, size=None):
        stream = io.BytesIO(content[start : end - cut])
        whole = len(content) if size is None else size
        given = Piece(word, start, end - start, whole)
        return take_piece(ledger, local, arrival, given, stream, NOW)

    return piece


def contents(ledger, local, arrival):
    with ledger.reading() as session:
        token = kept_arrival(session, local, arrival).token
    return [each.open().read() for each in ledger.spool.files(token)]


def test_pieces_become_the_file_and_nothing_of_them_stays(ledger, local, arrival, send, place):
    assert [send(0, 1000), send(1000, 2000)] == [1000, 2000]
    assert one_arrival(ledger, local, arrival).files == 0
    assert held_of(ledger, local, arrival, [WORD, "other"]) == {WORD: 2000, "other": 0}
    assert send(2000, 2500) == 2500
    assert held_of(ledger, local, arrival, [WORD]) == {WORD: None}
    found = one_arrival(ledger, local, arrival)
    assert (found.files, found.size_bytes) == (1, 2500)
    assert contents(ledger, local, arrival) == [CONTENT]
    assert [path.suffix for path in place.home.glob("incoming/*/pieces/*")] == [".note"]


def test_a_piece_or_a_file_that_is_sent_again_is_there_once(ledger, local, arrival, send):
    send(0, 1000)
    assert send(0, 1000) == 1000
    send(1000, 2500)
    assert send(1000, 2500) == 2500
    assert [send(0, 900, word="small", content=CONTENT[:900]) for _ in range(2)] == [900, 900]
    assert one_arrival(ledger, local, arrival).files == 2
    assert contents(ledger, local, arrival) == [CONTENT, CONTENT[:900]]


def test_the_same_file_sent_twice_at_once_is_counted_once(ledger, local, arrival, send):
    senders = [threading.Thread(target=send, args=(0, 2500)) for _ in range(4)]
    for each in senders:
        each.start()
    for each in senders:
        each.join()
    assert one_arrival(ledger, local, arrival).files == 1


def test_a_file_is_counted_though_the_answer_to_its_last_piece_was_never_given(
    ledger, local, arrival, send, monkeypatch
):
    send(0, 1000)
    with monkeypatch.context() as broken:
        broken.setattr("registry.actions.arrival_pieces.take_file", lambda *_args, **_how: 1 // 0)
        with pytest.raises(ZeroDivisionError):
            send(1000, 2500)
    assert one_arrival(ledger, local, arrival).files == 0
    assert send(1000, 2500) == 2500
    assert contents(ledger, local, arrival) == [CONTENT]


def test_a_piece_that_is_cut_short_leaves_nothing(ledger, local, arrival, send, place):
    send(0, 1000)
    for start, end in ((1000, 2000), (1000, 2500)):
        with pytest.raises(BadInputError, match="did not come in whole"):
            send(start, end, cut=1)
    with pytest.raises(BadInputError, match="did not come in whole"):
        send(0, 900, word="small", content=CONTENT[:900], cut=1)
    assert held_of(ledger, local, arrival, [WORD, "small"]) == {WORD: 1000, "small": 0}
    assert one_arrival(ledger, local, arrival).files == 0
    assert not list(place.home.rglob("*.part"))


def test_a_piece_without_the_one_before_or_beyond_the_room_is_refused(ledger, local, arrival, send):
    with pytest.raises(ConflictError, match="a piece before this one is missing"):
        send(1000, 2000)
    largest = ledger.settings.largest_arrival_mb * 1_000_000
    with pytest.raises(BadInputError, match="more came in than one arrival may hold"):
        send(0, 1000, size=largest + 1)
    close_arrival_after_one(ledger, local, arrival, send)
    with pytest.raises(ConflictError, match="nothing more can be added"):
        send(0, 1000)


def test_files_that_were_begun_count_towards_what_an_arrival_may_hold(ledger, send):
    largest = ledger.settings.largest_arrival_mb * 1_000_000
    assert send(0, 1000, size=largest) == 1000
    assert send(0, 1000, word="other", size=largest - 1000) == 1000
    with pytest.raises(BadInputError, match="more came in than one arrival may hold"):
        send(0, 1000, word="third", size=largest - 1000)


def close_arrival_after_one(ledger, local, arrival, send):
    send(0, 900, word="small", content=CONTENT[:900])
    close_arrival(ledger, local, arrival, NOW)


def test_of_files_that_were_begun_and_left_only_the_latest_are_kept(send, place):
    for number in range(MOST_UNFINISHED + 4):
        send(0, 1000, word=f"{number}")
    kept = [path for path in place.home.glob("incoming/*/pieces/*") if path.is_dir()]
    assert len(kept) == MOST_UNFINISHED


def test_no_word_or_byte_of_what_came_lies_in_the_clear_and_cancelling_takes_all_of_it(
    ledger, local, arrival, send, place
):
    marked = b"Meyer^Anna" * 250
    send(0, 1000, content=marked)
    for path in (place.home / "incoming").rglob("*"):
        assert "Meyer" not in path.name
        assert not path.is_file() or b"Meyer" not in path.read_bytes()
    cancel_arrival(ledger, local, arrival, NOW)
    assert not list((place.home / "incoming").iterdir())


def test_what_comes_in_leaves_of_the_disk_what_is_to_stay_free(place):
    """Nobody who may send, and no archive, fills the disk on which the ledger is kept."""
    free = shutil.disk_usage(place.home).free // 1_000_000
    above = {**place.environment, "PEDICLE_LEDGER_KEEP_FREE_MB": str(min(free * 2, 1_000_000))}
    ledger = type(place)(place.home, above).open()
    local = acting(ledger, None)
    arrival = open_arrival(ledger, local, ArrivalSource.UPLOAD, NOW)
    for start, end in ((0, 1000), (0, 2500)):
        piece = Piece(WORD, start, end - start, 2500)
        with pytest.raises(NoRoomError, match="the disk is nearly full"):
            take_piece(ledger, local, arrival, piece, io.BytesIO(CONTENT[start:end]), NOW)
    assert one_arrival(ledger, local, arrival).files == 0
    files = [path for path in place.home.glob("incoming/**/*") if path.is_file()]
    assert sum(path.stat().st_size for path in files) == 0
    ledger.close()


def test_a_disk_that_fills_up_under_a_piece_is_told_and_the_piece_can_be_sent_again(
    ledger, local, arrival, send
):
    content = os.urandom(6_000_000)
    assert send(0, 1000, content=content) == 1000
    # The kernel's limit of a file's size fails the same calls as a full disk.
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1 << 22, before[1]))
    try:
        with pytest.raises(NoRoomError, match="there is no place for what comes in"):
            send(1000, len(content), content=content)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert held_of(ledger, local, arrival, [WORD]) == {WORD: 1000}
    assert send(1000, len(content), content=content) == len(content)
    assert contents(ledger, local, arrival) == [content]
