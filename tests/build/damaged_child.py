"""Loads damaged CTs into a ledger of its own, one after the other; says what came of each.

Run as `python -m tests.build.damaged_child FIRST COUNT FOLDER`. It ends with 1 and a traceback
where anything but a `ProblemError` comes, where a load takes ten seconds, or where it leaves
something behind; the parent sees a process that died.
"""

from __future__ import annotations

import faulthandler
import resource
import shutil
import sys
import time
import warnings
from pathlib import Path

from registry.actions.load_scan import ScanOrder, load_scan
from registry.cli.main import main
from registry.domain.problems import ProblemError
from registry.store.home import Ledger, open_ledger
from tests.build.damaged_files import PATIENT, damaged
from tests.build.ledgers import NOW, local_operator
from tests.build.tables import a_log

LONGEST_SECONDS = 10
MOST_ADDRESS_SPACE = 4 * 1024**3


def left(home: Path) -> set[str]:
    """Return the names of all files of the home but the database's own."""
    names = (str(path.relative_to(home)) for path in home.rglob("*") if path.is_file())
    return {name for name in names if not name.startswith(("ledger.sqlite", "keys/"))}


def one(ledger: Ledger, home: Path, number: int, folder: Path) -> str:
    """Load what belongs to a number and return what came of it, in a word."""
    damage = damaged(number, folder)
    before = left(home)
    faulthandler.dump_traceback_later(LONGEST_SECONDS, exit=True)
    try:
        with warnings.catch_warnings():
            # A warning quotes values, and they may name somebody.
            warnings.simplefilter("error")
            loaded = load_scan(ledger, local_operator(ledger), [damage.path], ScanOrder(), NOW)
        came = "attached" if loaded.is_new else "known"
    except ProblemError:
        came = "refused"
    except BaseException:
        print(f"number {number}: {damage.words}", flush=True)
        raise
    finally:
        faulthandler.cancel_dump_traceback_later()
        shutil.rmtree(folder)
    if came == "refused" and left(home) != before:
        raise AssertionError(f"number {number} left {left(home) ^ before}: {damage.words}")
    return came


def run(first: int, count: int, folder: Path) -> None:
    """Load every number; one line at the end says how many came to what."""
    resource.setrlimit(resource.RLIMIT_AS, (MOST_ADDRESS_SPACE, MOST_ADDRESS_SPACE))
    home = folder / "home"
    table = folder / "log.csv"
    table.write_bytes(a_log({"case_ref": "M1", "patient_ref": PATIENT}))
    for words in (["init"], ["load-log", str(table), "--new-persons"]):
        if main([*words, "--home", str(home)]):
            raise AssertionError(words)
    ledger = open_ledger(home, {})
    came: dict[str, int] = {}
    longest = 0.0
    for number in range(first, first + count):
        start = time.perf_counter()
        word = one(ledger, home, number, folder / "given")
        longest = max(longest, time.perf_counter() - start)
        came[word] = came.get(word, 0) + 1
    ledger.close()
    # Not getrusage: its peak is handed on from the process that started this one.
    status = Path("/proc/self/status").read_text(encoding="ascii")
    most = int(status.partition("VmHWM:")[2].split()[0]) // 1024
    print(f"came {came}, longest {longest:.2f} s, most memory {most} MB", flush=True)


if __name__ == "__main__":
    run(int(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]))
