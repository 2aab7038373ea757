"""Kill a process that loads, again and again, and look at what it left."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import func, select

from registry.store.models.cases import Case, Screw
from registry.store.models.patients import Patient, VaultEntry
from registry.store.models.people import Account
from registry.store.models.readings import Assignment, ConsensusRow, Reading
from registry.store.models.scans import Scan
from registry.store.vault import reference_hash, unseal
from tests.build.killed_child import CASES, PLACES, STEPS, case_refs, patient_refs

if TYPE_CHECKING:
    from random import Random

    from tests.build.places import Place

ROOT = Path(__file__).parents[2]
LONGEST_SECONDS = 1.5


@dataclass(frozen=True)
class Acknowledged:
    """What a process said it had done before it died, and the last batch it can have begun."""

    done: frozenset[tuple[int, str]]
    last: int


def kill_while_loading(place: Place, folder: Path, first: int, random: Random) -> Acknowledged:
    """Start a process that loads, kill it with -9 at a random moment; return what it had said."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.build.killed_child", str(first), str(folder)],
        cwd=ROOT,
        env=place.all_environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout
    assert process.stderr
    lines: list[str] = []
    if process.stdout.readline() != "ready\n":
        raise AssertionError(process.stderr.read())
    killer = threading.Timer(
        random.uniform(0, LONGEST_SECONDS), os.kill, (process.pid, signal.SIGKILL)
    )
    killer.start()
    with process:
        lines = process.stdout.read().splitlines()
        said = process.stderr.read()
    killer.join()
    assert process.returncode == -signal.SIGKILL, said
    words = [line.split() for line in lines]
    assert not [line for line in words if line[:1] == ["failed"]], said
    done = frozenset((int(w[1]), w[2]) for w in words if w[:1] == ["done"] and len(w) == 3)
    return Acknowledged(done, max([first, *(batch + 1 for batch, _ in done)]))


def look_at(place: Place, acknowledged: Acknowledged, first: int) -> int:
    """Check a ledger after a kill; return how many steps stand in it whole though unsaid."""
    answer = place.command("verify")
    assert (answer.status, answer.err) == (0, "")
    unsaid = 0
    with contextlib.closing(place.open()) as ledger:
        for batch in range(first, acknowledged.last + 1):
            found = _found(ledger, batch)
            for step in STEPS:
                assert found[step] in (found["none"][step], found["all"][step]), (batch, step)
                is_there = found[step] == found["all"][step]
                is_said = (batch, step) in acknowledged.done
                assert is_there or not is_said, (batch, step, found[step])
                unsaid += is_there and not is_said
    return unsaid


def _found(ledger, batch):
    """Return the counts of a batch, and those of it wholly absent and wholly there."""
    whole = len(PLACES) * (CASES - 1)
    with ledger.reading() as session:

        def count(model, *joins):
            query = select(func.count()).select_from(model)
            for other, on in joins:
                query = query.join(other, on)
            return session.execute(query.where(Case.reference.in_(case_refs(batch)))).scalar()

        on_screw = (Screw, Screw.case_id == Case.id)
        cases = count(Case)
        screws = count(Case, on_screw)
        read = count(Case, on_screw, (Reading, Reading.screw_id == Screw.id))
        settled = count(Case, on_screw, (ConsensusRow, ConsensusRow.screw_id == Screw.id))
        owed = count(Case, on_screw, (Assignment, Assignment.screw_id == Screw.id))
        held = count(Case, (Scan, (Scan.case_id == Case.id) & Scan.image_id.is_not(None)))
        named = session.execute(
            select(func.count()).select_from(Account).where(Account.name == f"reader {batch}")
        ).scalar()
        patients = _opened(ledger, session, batch)
    return {
        "log": (cases, screws, patients),
        "readings": (read, settled),
        "ct": (held, owed),
        "account": named,
        "none": {"log": (0, 0, 0), "readings": (0, 0), "ct": (0, 0), "account": 0},
        "all": {
            "log": (CASES, CASES * len(PLACES), CASES),
            "readings": (whole, whole),
            "ct": (1, len(PLACES)),
            "account": 1,
        },
    }


def _opened(ledger, session, batch):
    """Return how many patients of a batch are there with a vault entry that opens."""
    opened = 0
    for reference in patient_refs(batch):
        hashed = reference_hash(ledger.keys.references, "patient", reference)
        row = session.execute(
            select(Patient.pseudonym, VaultEntry.sealed)
            .join(VaultEntry, VaultEntry.patient_id == Patient.id)
            .where(Patient.reference_hash == hashed, VaultEntry.kind == "patient reference")
        ).first()
        if row is not None:
            key = ledger.keys.patient_key(row[0])
            opened += unseal(key, row[1], row[0]) == reference
    return opened
