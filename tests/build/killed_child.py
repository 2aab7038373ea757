"""Loads batch after batch until somebody kills it; says what was done once it is done.

Run as `python -m tests.build.killed_child FIRST FOLDER`; the environment names the ledger.
"""

from __future__ import annotations

import sys
from pathlib import Path

from registry.cli.main import main
from tests.build.tables import a_log, a_readings
from tests.imaging.written_files import slices, write

CASES = 6
PLACES = [(level, side) for level in ("L4", "L5") for side in "LR"]
STEPS = ("log", "readings", "ct", "account")


def case_refs(batch: int) -> list[str]:
    return [f"K{batch}-{number}" for number in range(CASES)]


def patient_refs(batch: int) -> list[str]:
    return [f"PAT-{batch}-{number}" for number in range(CASES)]


def commands(batch: int, folder: Path) -> list[list[str]]:
    """Write the files of a batch and return its commands, one for each of `STEPS`."""
    log = [
        {"case_ref": case, "patient_ref": patient, "level": level, "side": side}
        for case, patient in zip(case_refs(batch), patient_refs(batch), strict=True)
        for level, side in PLACES
    ]
    (folder / "log.csv").write_bytes(a_log(*log))
    # The last case is left to the CT.
    read = [
        {"case_ref": case, "level": level, "side": side, "medial_mm": "1.0"}
        for case in case_refs(batch)[:-1]
        for level, side in PLACES
    ]
    (folder / "readings.csv").write_bytes(a_readings(*read))
    files = folder / f"ct{batch}"
    write(slices(8, study=batch + 10, PatientID=patient_refs(batch)[-1]), files)
    return [
        ["load-log", str(folder / "log.csv"), "--new-persons"],
        ["load-readings", str(folder / "readings.csv"), "--new-persons"],
        ["load-ct", str(files)],
        ["account", "add", f"reader {batch}", "--role", "registrar"],
    ]


def run(first: int, folder: Path) -> None:
    """Go on for ever, or until a command fails."""
    print("ready", flush=True)
    batch = first
    while True:
        for step, words in zip(STEPS, commands(batch, folder), strict=True):
            status = main(words)
            print("done" if status == 0 else "failed", batch, step, flush=True)
            if status:
                return
        batch += 1


if __name__ == "__main__":
    run(int(sys.argv[1]), Path(sys.argv[2]))
