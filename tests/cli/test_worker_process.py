"""`serve` has a worker of its own: it works, is started again when it dies, and ends with it."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.arrivals import one_arrival
from registry.actions.decide_arrival import decide_arrival
from registry.cli.worker_process import MEMORY_BYTES, work
from registry.domain.arrivals import ArrivalState
from registry.measure.proposals.documents import from_json
from registry.store.models.proposals import ProposalRow
from tests.build.arriving import a_decision, a_study, arrived
from tests.build.loaded import LOG_ROWS, load_rows
from tests.build.scanned import with_held_scan

PROGRAM = "import sys; from registry.cli.main import main; sys.exit(main())"
WITHIN_SECONDS = 60


@pytest.fixture
def served(place):
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, "serve", "--port", "0"],
        env=place.all_environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout
    assert "serving" in process.stdout.readline()
    yield process
    if process.poll() is None:
        process.kill()
    process.communicate()


def workers(server):
    """Return the processes that a server has started."""
    return [int(n) for n in Path(f"/proc/{server}/task/{server}/children").read_text().split()] + [
        int(number)
        for task in Path(f"/proc/{server}/task").iterdir()
        if task.name != str(server)
        for number in (task / "children").read_text().split()
    ]


def until(what, *given):
    ends = time.monotonic() + WITHIN_SECONDS
    while not (found := what(*given)):
        assert time.monotonic() < ends, "it took too long"
        time.sleep(0.05)
    return found


def is_gone(number):
    with contextlib.suppress(ProcessLookupError):
        os.kill(number, 0)
        return Path(f"/proc/{number}/stat").read_text().rsplit(") ", 1)[1][0] == "Z"
    return True


def test_the_worker_has_no_more_memory_than_it_needs(served):
    (number,) = until(workers, served.pid)
    ends = time.monotonic() + WITHIN_SECONDS
    while True:
        lines = Path(f"/proc/{number}/limits").read_text().splitlines()
        (limit,) = [line.split()[3:5] for line in lines if line.startswith("Max data size")]
        if limit == [str(MEMORY_BYTES)] * 2:
            break
        assert time.monotonic() < ends, limit
        time.sleep(0.05)


def test_the_worker_of_serve_reads_what_came_in_though_it_is_killed_between(place, served):
    ledger = place.open()
    local = acting(ledger, None)
    load_rows(ledger, *LOG_ROWS)
    arrival = arrived(ledger, a_study())

    def is_at(state):
        return one_arrival(ledger, local, arrival).state is state

    until(is_at, ArrivalState.LOOKED_THROUGH)
    (first,) = workers(served.pid)
    os.kill(first, signal.SIGKILL)
    now = one_arrival(ledger, local, arrival).last_at
    decide_arrival(ledger, local, arrival, a_decision(), now)
    until(is_at, ArrivalState.READ)
    (second,) = workers(served.pid)
    assert second != first
    ledger.close()
    served.send_signal(signal.SIGTERM)
    _, said = served.communicate(timeout=30)
    assert served.returncode == 0
    assert "the worker ended with status -9 and is started again" in said
    assert "Traceback" not in said
    assert is_gone(second)


def test_a_worker_never_outlives_its_server(place, served):
    del place
    (worker,) = until(workers, served.pid)
    served.kill()
    served.communicate()
    until(is_gone, worker)


@pytest.mark.parametrize("makes", [True, False])
def test_where_nothing_came_in_the_worker_makes_proposals_unless_the_unit_wants_none(ledger, makes):
    load_rows(ledger, {"case_ref": "OP-1", "level": "L4"})
    with_held_scan(ledger, "OP-1")
    settings = replace(ledger.settings, makes_proposals=makes)
    wanting = replace(ledger, settings=settings)
    vars(wanting)["engine"] = ledger.engine
    stop = threading.Event()
    child = {"proposing_module": "tests.build.proposing_child"}
    working = threading.Thread(target=work, args=(wanting, stop), kwargs=child)
    working.start()
    try:
        if makes:
            (kept,) = until(proposals, ledger)
            assert kept.failure is None
            assert from_json(kept.document).screws[0].logged.level == "L4"
        else:
            time.sleep(0.5)
            assert proposals(ledger) == []
    finally:
        stop.set()
        working.join()


def proposals(ledger):
    with ledger.reading() as session:
        found = list(session.execute(select(ProposalRow)).scalars())
        session.expunge_all()
    return found
