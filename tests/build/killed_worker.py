"""Works through arrivals until somebody kills it. Run as `python -m tests.build.killed_worker`."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.arrivals import arrivals
from registry.actions.decide_arrival import decide_arrival
from registry.actions.work_arrivals import work_once
from registry.domain.arrivals import ArrivalState
from registry.store.home import open_ledger
from registry.store.models.readings import Assignment
from registry.store.models.scans import Scan
from tests.build.arriving import a_decision, a_study, arrived, looked_through
from tests.build.loaded import NOW, load_rows

if TYPE_CHECKING:
    import random

    from tests.build.places import Place

ROOT = Path(__file__).parents[2]
LATER = datetime(2027, 1, 1, tzinfo=UTC)
"""By then every lease is over; what waits for a person is not yet to be dropped in the room."""


def work() -> None:
    """Say when it begins, then work until killed."""
    ledger = open_ledger(Path(os.environ["PEDICLE_LEDGER_HOME"]))
    print("ready", flush=True)
    while True:
        work_once(ledger, datetime.now(UTC))


def kill_while_working(place: Place, number: int, moment: random.Random) -> ArrivalState:
    """Kill a worker that has one arrival to read and one to look through; return how far it was.

    Everything is held to be as it was or whole, then finished by another worker.
    """
    settings = {"PEDICLE_LEDGER_ARRIVAL_DAYS": "365"}
    case = f"K{number}"
    with_days = type(place)(place.home, place.environment)
    ledger = open_ledger(place.home, {**place.environment, **settings})
    local = acting(ledger, None)
    load_rows(ledger, {"case_ref": case, "patient_ref": f"N{number}", "level": "L4"})
    files = a_study(30, series=number, study=number, PatientID=f"N{number}")
    to_read = looked_through(ledger, files)
    case_id = next(each for each in _survey(ledger, to_read).series[0].case_ids)
    decide_arrival(ledger, local, to_read, a_decision(case_id), NOW)
    to_look = arrived(ledger, a_study(20, series=number + 500, study=number + 500))
    _kill(with_days, settings, moment)
    found = _states(ledger)
    assert found[to_read] in {ArrivalState.TO_BE_READ, ArrivalState.READ}
    assert found[to_look] in {ArrivalState.RECEIVED, ArrivalState.LOOKED_THROUGH}
    assert _scans(ledger, case_id) == ((1, 1) if found[to_read] is ArrivalState.READ else (0, 0))
    answer = place.command("verify")
    assert (answer.status, answer.err) == (0, "")
    while work_once(ledger, LATER):
        pass
    after = _states(ledger)
    assert (after[to_read], after[to_look]) == (ArrivalState.READ, ArrivalState.LOOKED_THROUGH)
    assert _scans(ledger, case_id) == (1, 1)
    assert not list((place.home / "images").glob("*.part"))
    assert len(ledger.keys.arrival_keys()) == len(list((place.home / "incoming").iterdir()))
    ledger.close()
    return found[to_read]


def _survey(ledger, arrival):
    return next(
        each.survey for each in arrivals(ledger, acting(ledger, None)) if each.arrival_id == arrival
    )


def _states(ledger):
    return {each.arrival_id: each.state for each in arrivals(ledger, acting(ledger, None))}


def _scans(ledger, case_id):
    with ledger.reading() as session:
        scans = session.execute(select(Scan.id).where(Scan.case_id == case_id)).scalars().all()
        owed = session.execute(select(Assignment.id).where(Assignment.scan_id.in_(scans)))
        return len(scans), len(owed.all())


def _kill(place, settings, moment):
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.build.killed_worker"],
        cwd=ROOT,
        env=place.all_environment() | settings,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout
    if process.stdout.readline() != "ready\n":
        raise AssertionError(process.communicate()[1])
    killer = threading.Timer(moment.uniform(0, 0.6), os.kill, (process.pid, signal.SIGKILL))
    killer.start()
    _, said = process.communicate()
    killer.join()
    assert process.returncode == -signal.SIGKILL, said


if __name__ == "__main__":
    work()
