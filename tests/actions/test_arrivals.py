"""Files come into an arrival, whole and counted or not at all; it is closed, dropped, looked at."""

from __future__ import annotations

import io
import threading
from datetime import timedelta

import pytest

from registry.actions.accounts import acting
from registry.actions.arrivals import (
    arrival_of_study,
    arrivals,
    cancel_arrival,
    close_arrival,
    one_arrival,
    open_arrival,
    take_file,
)
from registry.actions.work_arrivals import work_once
from registry.domain.access import Role
from registry.domain.arrivals import ArrivalSource, ArrivalState
from registry.domain.problems import BadInputError, ConflictError, NotAllowedError, NotFoundError
from tests.build.loaded import NOW, an_account


@pytest.fixture
def local(ledger):
    return acting(ledger, None)


def opened(ledger, viewer):
    return open_arrival(ledger, viewer, ArrivalSource.UPLOAD, NOW)


def take(ledger, viewer, arrival, content=b"x" * 1000, **how):
    return take_file(ledger, viewer, arrival, io.BytesIO(content), "Meyer^Anna.dcm", NOW, **how)


def test_files_are_counted_as_they_come(ledger, local):
    arrival = opened(ledger, local)
    assert [take(ledger, local, arrival) for _ in range(3)] == [1, 2, 3]
    close_arrival(ledger, local, arrival, NOW + timedelta(minutes=1))
    close_arrival(ledger, local, arrival, NOW + timedelta(minutes=2))
    (found,) = arrivals(ledger, local)
    assert found == one_arrival(ledger, local, arrival)
    assert (found.files, found.size_bytes, found.state) == (3, 3000, ArrivalState.RECEIVED)
    assert (found.opened_by, found.last_at) == (local.name, NOW + timedelta(minutes=1))


def test_a_file_that_is_cut_short_is_named_to_its_sender_and_not_counted(ledger, local, place):
    arrival = opened(ledger, local)
    take(ledger, local, arrival)
    with pytest.raises(BadInputError, match=r"Meyer\^Anna.dcm: the file did not come in whole"):
        take(ledger, local, arrival, expected=1001)
    found = one_arrival(ledger, local, arrival)
    assert (found.files, found.size_bytes) == (1, 1000)
    assert take(ledger, local, arrival, expected=1000) == 2
    for path in place.home.rglob("*"):
        assert "Meyer" not in path.name
        assert not path.is_file() or b"Meyer" not in path.read_bytes()


def test_more_than_an_arrival_may_hold_is_refused_and_what_came_before_stays(place):
    with_limit = {**place.environment, "PEDICLE_LEDGER_LARGEST_ARRIVAL_MB": "1"}
    ledger = type(place)(place.home, with_limit).open()
    local = acting(ledger, None)
    arrival = opened(ledger, local)
    take(ledger, local, arrival, bytes(900_000))
    with pytest.raises(BadInputError, match="largest_arrival_mb"):
        take(ledger, local, arrival, bytes(100_001))
    assert take(ledger, local, arrival, bytes(100_000)) == 2
    ledger.close()


def test_nothing_is_added_once_it_is_closed_or_cancelled(ledger, local):
    for end in (close_arrival, cancel_arrival):
        arrival = opened(ledger, local)
        take(ledger, local, arrival)
        end(ledger, local, arrival, NOW)
        with pytest.raises(ConflictError, match="nothing more can be added"):
            take(ledger, local, arrival)


def test_a_file_that_is_under_way_while_it_is_cancelled_is_not_counted(ledger, local):
    arrival = opened(ledger, local)
    take(ledger, local, arrival)

    class Slow(io.BytesIO):
        def read(self, *_):
            if self.tell() == 0:
                cancel_arrival(ledger, local, arrival, NOW)
            return super().read(500)

    with pytest.raises(ConflictError, match="nothing more can be added"):
        take_file(ledger, local, arrival, Slow(b"x" * 1000), "name", NOW)
    assert one_arrival(ledger, local, arrival).files == 1
    work_once(ledger, NOW)
    assert not list((ledger.home / "incoming").rglob("*"))
    assert ledger.keys.arrival_keys() == {}


def test_an_empty_arrival_cannot_be_closed_but_cancelled(ledger, local):
    arrival = opened(ledger, local)
    with pytest.raises(BadInputError, match="nothing has come in"):
        close_arrival(ledger, local, arrival, NOW)
    cancel_arrival(ledger, local, arrival, NOW)
    cancel_arrival(ledger, local, arrival, NOW)
    with pytest.raises(ConflictError, match="cancelled"):
        close_arrival(ledger, local, arrival, NOW)
    found = one_arrival(ledger, local, arrival)
    assert (found.state, found.message) == (ArrivalState.CANCELLED, f"cancelled by {local.name}")


def test_a_cancelled_arrival_leaves_no_file_and_no_key(ledger, local):
    arrival, other = opened(ledger, local), opened(ledger, local)
    take(ledger, local, arrival)
    take(ledger, local, other)
    assert len(ledger.keys.arrival_keys()) == 2
    cancel_arrival(ledger, local, arrival, NOW)
    assert len(ledger.keys.arrival_keys()) == 1
    assert len([p for p in (ledger.home / "incoming").rglob("*") if p.is_file()]) == 1


def test_the_files_of_one_study_come_together_until_it_is_closed(ledger, local):
    def of(study):
        return arrival_of_study(ledger, local, study, ArrivalSource.RECEIVER, NOW)

    first, other = of("1.2.3"), of("1.2.4")
    assert of("1.2.3") == first != other
    take(ledger, local, first)
    close_arrival(ledger, local, first, NOW)
    assert of("1.2.3") not in {first, other}


def test_two_associations_of_a_study_at_once_fill_one_arrival(ledger, local):
    barrier = threading.Barrier(4)
    found, failed = [], []

    def go():
        barrier.wait()
        try:
            arrival = arrival_of_study(ledger, local, "1.2.3", ArrivalSource.RECEIVER, NOW)
            found.append(arrival)
            for _ in range(5):
                take(ledger, local, arrival)
        except BaseException as error:  # noqa: BLE001 - whatever it is, it is the finding
            failed.append(error)

    threads = [threading.Thread(target=go) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert len(set(found)) == 1
    assert one_arrival(ledger, local, found[0]).files == 20


@pytest.mark.parametrize("place", ["sqlite"], indirect=True)
@pytest.mark.parametrize("role", Role)
def test_registrar_and_lead_see_arrivals_and_nobody_else(ledger, local, role):
    arrival = opened(ledger, local)
    viewer = an_account(ledger, "someone", role, person="Anna Berg", new_person=True)
    if role in {Role.REGISTRAR, Role.QUALITY_LEAD}:
        assert one_arrival(ledger, viewer, arrival).arrival_id == arrival
        return
    for ask in (
        lambda: one_arrival(ledger, viewer, arrival),
        lambda: arrivals(ledger, viewer),
        lambda: opened(ledger, viewer),
        lambda: take(ledger, viewer, arrival),
        lambda: close_arrival(ledger, viewer, arrival, NOW),
        lambda: cancel_arrival(ledger, viewer, arrival, NOW),
        lambda: arrival_of_study(ledger, viewer, "1.2", ArrivalSource.RECEIVER, NOW),
    ):
        with pytest.raises(NotAllowedError):
            ask()


def test_an_arrival_that_is_not_there_says_so(ledger, local):
    for ask in (one_arrival, take):
        with pytest.raises(NotFoundError):
            ask(ledger, local, 7)
