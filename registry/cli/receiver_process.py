"""The receiver's own process, under a limit of memory; started and watched by `listen`.

Its order is one line of JSON on standard input, its answer one on standard output. It ends on
SIGTERM, and when its standard input does: then who started it is gone.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import resource
import signal
import sys
import threading
from time import monotonic
from typing import TYPE_CHECKING

from registry.actions.receive import receiver_order, study_taker
from registry.cli.log import start_logging
from registry.cli.opening import instant, opened
from registry.domain.problems import ProblemError
from registry.imaging.receiver import receiving

if TYPE_CHECKING:
    from collections.abc import Mapping

# Three associations may each hold an instance of 512 MiB; a setting of ours, no source.
MEMORY_BYTES = 2560 * 1024 * 1024
_SAID_AGAIN_AFTER_SECONDS = 60.0
_LONGEST_ORDER = 64 * 1024


def main() -> int:
    """Receive until told to stop; return the exit status."""
    start_logging()
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    threading.excepthook = _ended_by
    order = json.loads(sys.stdin.readline(_LONGEST_ORDER))
    try:
        return _receive(order, stop)
    except ProblemError as problem:
        _answer({"fault": "; ".join(problem.lines()), "status": problem.exit_status})
        return problem.exit_status


def _receive(order: Mapping[str, object], stop: threading.Event) -> int:
    given = argparse.Namespace(home=order["home"], acting_as=None)
    with opened(given, os.environ) as (ledger, viewer):
        asked = receiver_order(ledger, viewer, str(order["host"]), int(str(order["port"])))
        with receiving(asked, study_taker(ledger, viewer, instant), _Sayings().told) as port:
            _answer({"port": port})
            threading.Thread(target=_until_orphaned, args=(stop,), daemon=True).start()
            stop.wait()
    return 0


def _until_orphaned(stop: threading.Event) -> None:
    while sys.stdin.read(1):
        pass
    stop.set()


def _ended_by(how: threading.ExceptHookArgs) -> None:
    """Log that a connection's thread ended; its own words may quote what was sent."""
    words = "a connection ended by %s"
    logging.getLogger("registry.receiver").warning(words, how.exc_type.__name__)


def _answer(said: Mapping[str, object]) -> None:
    sys.stdout.write(json.dumps(said) + "\n")
    sys.stdout.flush()


class _Sayings:
    """Writes to the log what the receiver tells, each line once a minute at most."""

    def __init__(self) -> None:
        self._said: dict[str, float] = {}

    def told(self, words: str) -> None:
        """Log a line, unless it was logged a moment ago."""
        now = monotonic()
        self._said = {
            line: at for line, at in self._said.items() if now - at < _SAID_AGAIN_AFTER_SECONDS
        }
        if self._said.setdefault(words, now) == now:
            logging.getLogger("registry.receiver").warning(words)


if __name__ == "__main__":
    sys.exit(main())
