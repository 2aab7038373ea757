"""A small invented unit, loaded by the real commands: cases, readings, and a drawn CT on request.

It is the first 45 cases of the invented scenario, in which all six surgeons operate, and the case
whose CT is drawn, put back into that autumn so that the day on which the tests run does not matter.
"""

from __future__ import annotations

import io
import os
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from typing import TYPE_CHECKING

from demo_data.scenario import people
from demo_data.scenario.tables import readings_table, theatre_log
from demo_data.scenario.unit import invent_unit
from registry.actions.accounts import acting
from registry.actions.agree import agree_on, possible_owners
from registry.actions.arrivals import (
    cancel_arrival,
    close_arrival,
    one_arrival,
    open_arrival,
    take_file,
)
from registry.actions.own_notes import show_note, write_note
from registry.actions.work_arrivals import work_once
from registry.domain.access import Role, Viewer
from registry.domain.arrivals import ArrivalSource
from registry.store.home import open_ledger
from registry.store.queries.people import person_ids
from tests.build.arriving import a_study
from tests.build.drawn_study import OPERATED_ON
from tests.journeys.program import run

if TYPE_CHECKING:
    from pathlib import Path

    from demo_data.scenario.records import InventedCase, InventedScrew
    from registry.store.home import Ledger

EARLIEST = 45
KEPT_SLICES = 24
"""Of the drawn study, for who wants to send files: enough for a series, with what lay beside it."""

SURGEONS = (
    people.DEGENERATIVE_SURGEON,
    people.TRAUMA_SURGEON,
    people.DEFORMITY_SURGEON,
    people.TUMOUR_SURGEON,
    people.PERCUTANEOUS_SURGEON,
    people.TEACHING_SURGEON,
)
PERSONS = {
    "registrar": people.REGISTRAR,
    "surgeon": people.DEGENERATIVE_SURGEON,
    "quality lead": people.ADJUDICATOR,
    "steward": None,
}
"""Who stands behind the account of each role."""


@cache
def drawn_case() -> InventedCase:
    """Return the case whose CT is drawn; nobody has read it."""
    return replace(invent_unit().drawn_case, operated_on=OPERATED_ON)


@cache
def cases() -> tuple[InventedCase, ...]:
    """Return the unit's cases, the drawn one last."""
    by_day = sorted(invent_unit().cases, key=lambda case: (case.operated_on, case.reference))
    return (*by_day[:EARLIEST], drawn_case())


def counted_screws() -> list[tuple[InventedCase, InventedScrew]]:
    """Return the screws that were in a patient at closure, by plain reading of the log."""
    counted = {"placed", "redirected"}
    return [
        (case, screw) for case in cases() for screw in case.screws if screw.life.value in counted
    ]


def make_unit(home: Path) -> None:
    """Make the ledger and load both tables, as a unit would."""
    folder = home.parent
    references = {case.reference for case in cases()}
    readings = [
        reading for reading in invent_unit().readings if reading.case.reference in references
    ]
    (folder / "log.csv").write_bytes(theatre_log(cases()))
    (folder / "readings.csv").write_bytes(readings_table(readings))
    run(home, "init")
    run(home, "load-log", folder / "log.csv", "--new-persons")
    run(home, "load-readings", folder / "readings.csv", "--new-persons")
    ledger = open_ledger(home, {})
    local = acting(ledger, None)
    owner = possible_owners(ledger, local)[0]
    texts = {"what": "Ask for thinner slices", "owner": owner, "due_on": "2026-12-31"}
    agree_on(ledger, local, "2026Q1", texts, datetime.now(UTC))
    ledger.close()


def add_drawn_ct(home: Path, study: Path, folder: Path) -> None:
    """Load the drawn study's files; the hospital number finds its case.

    Some of the files are copied into the folder.
    """
    told = run(home, "load-ct", study)
    assert f"to case {drawn_case().reference}" in told
    (folder / "axial").mkdir(parents=True)
    for path in [*sorted((study / "axial").iterdir())[:KEPT_SLICES], *study.glob("*.dcm")]:
        shutil.copy(path, folder / path.relative_to(study))


def add_scans_on_their_way(home: Path) -> None:
    """Send three small lots of files: one waits for a person, one is coming in, one was dropped."""
    ledger, now = open_ledger(home, {}), datetime.now(UTC)
    local = acting(ledger, None)
    waiting, receiving, dropped = (
        open_arrival(ledger, local, ArrivalSource.UPLOAD, now) for _ in range(3)
    )
    for content in (*a_study(9), b"a text file"):
        take_file(ledger, local, waiting, io.BytesIO(content), "", now)
    close_arrival(ledger, local, waiting, now)
    assert work_once(ledger, now)
    assert one_arrival(ledger, local, waiting).survey is not None
    take_file(ledger, local, receiving, io.BytesIO(b"a text file"), "", now)
    cancel_arrival(ledger, local, dropped, now)
    write_a_note(ledger, now)
    ledger.close()


def write_a_note(ledger: Ledger, now: datetime) -> None:
    """Keep an action of the surgeon's own, and show it to the lead."""
    with ledger.reading() as session:
        (person,) = person_ids(session, [PERSONS["surgeon"]]).values()
    author = Viewer(0, "a surgeon", person, frozenset({Role.SURGEON}))
    typed = {"kind": "action", "words": "Feel each track.\nTap after that."}
    note = write_note(ledger, author, typed, today=now.date(), now=now)
    show_note(ledger, author, note, "", now)


def copied(home: Path, target: Path) -> Path:
    """Copy a ledger that nobody has open; its images are never written again and are linked."""

    def copy_or_link(source: str, destination: str) -> str:
        if "/images/" in source:
            os.link(source, destination)
        else:
            shutil.copy2(source, destination)
        return destination

    shutil.copytree(home, target, copy_function=copy_or_link)
    return target
