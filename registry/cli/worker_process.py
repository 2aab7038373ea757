"""The worker's own process: goes through what came in, a step at a time; started by `serve`.

Where nothing came in it works out what the program proposes of the scans that are read here.

Its order is one line of JSON on standard input, its answer one on standard output. It ends on
SIGTERM, between two slices if need be, and when its standard input does: then who started it is
gone. Killed in mid-step it loses nothing: the next one begins the step again.
"""

from __future__ import annotations

import json
import logging
import os
import resource
import secrets
import signal
import sys
import threading
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from registry.actions.supervise import running_beside
from registry.cli.log import start_logging
from registry.cli.output import run
from registry.domain.problems import FailureError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from registry.actions.propose import Run
    from registry.store.home import Ledger

LOOKS_EVERY_SECONDS = 1.0
_LONGEST_ORDER = 64 * 1024
PROPOSING = "registry.cli.proposal_process"
# A packed member of a zip may be held twice, at 1 GiB each, beside what is made of it; images that
# are mapped from the disk do not count. A setting of ours, no source.
MEMORY_BYTES = 4 * 1024 * 1024 * 1024


@contextmanager
def working_beside(home: Path) -> Iterator[None]:
    """Have a worker go through what comes in, as long as the block lasts."""

    def died(status: int) -> None:
        words = "the worker ended with status %s and is started again"
        logging.getLogger("registry.worker").warning(words, status)

    with running_beside("registry.cli.worker_process", {"home": str(home)}, on_death=died):
        yield


def main() -> int:
    """Work until told to stop; return the exit status."""
    start_logging()
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    order = json.loads(sys.stdin.readline(_LONGEST_ORDER))
    threading.Thread(target=_until_orphaned, args=(stop,), daemon=True).start()
    return run(lambda: _open_and_work(Path(order["home"]), stop))


def _open_and_work(home: Path, stop: threading.Event) -> int:
    from registry.store.home import open_ledger

    with closing(open_ledger(home, os.environ)) as ledger:
        sys.stdout.write("{}\n")
        sys.stdout.flush()
        work(ledger, stop)
    return 0


def work(ledger: Ledger, stop: threading.Event, *, proposing_module: str = PROPOSING) -> None:
    """Do step after step until told to stop; where there is none, look again after a moment."""
    from registry.actions.propose import ProposalWorker
    from registry.actions.teaching import Mixer
    from registry.actions.work_arrivals import work_once
    from registry.cli.opening import instant

    name, failure = secrets.token_hex(8), ""
    proposing = ProposalWorker(ledger, _propose_apart(ledger, stop, proposing_module), worker=name)
    proposes, mixer = ledger.settings.makes_proposals, Mixer(ledger)
    while not stop.is_set():
        try:
            did = work_once(ledger, instant(), worker=name, should_stop=stop.is_set)
            if not did and not stop.is_set():
                did = mixer.once(instant())
            if proposes and not did and not stop.is_set():
                did = proposing.once(instant())
            failure = ""
        except FailureError as error:
            # The database is away, or held for long: told once, and tried again.
            did = False
            if str(error) != failure:
                logging.getLogger("registry.worker").warning("%s", error)
            failure = str(error)
        if not did:
            stop.wait(LOOKS_EVERY_SECONDS)


def _propose_apart(ledger: Ledger, stop: threading.Event, module: str) -> Run:
    from registry.actions.propose_apart import propose_apart

    return partial(
        propose_apart,
        ledger.images.folder,
        module=module,
        should_stop=stop.is_set,
    )


def _until_orphaned(stop: threading.Event) -> None:
    while sys.stdin.read(1):
        pass
    stop.set()


if __name__ == "__main__":
    sys.exit(main())
