"""The program, loaded once and ready: a process of its own serves each ledger that is asked for.

Loading all that `serve` needs takes four seconds of work, and many journeys serve a ledger of their
own. So one process loads it and forks; what is forked is what the program's own command runs.
`tests/web/test_server.py` and `tests/cli` start it from nothing.

Each order is a line of JSON, each answer a line: the process that serves, or how it ended.
"""

from __future__ import annotations

import gc
import json
import os
import signal
import sys
import time
from importlib import import_module

LOADED = (
    *("registry.actions.resettle", "registry.cli.opening", "registry.cli.serve"),
    *("registry.cli.worker_process", "registry.web.app", "registry.web.server"),
)


def main() -> None:
    program = import_module("registry.cli.main")
    for name in LOADED:
        import_module(name)
    gc.collect()
    gc.freeze()
    for line in sys.stdin:
        asked = json.loads(line)
        if "ended" in asked:
            answer = ended(asked["ended"], asked["within_seconds"])
        else:
            answer = os.fork()
            if answer == 0:
                become(asked)
                sys.exit(program.main(["serve", "--port", "0", "--home", asked["home"]]))
        print(answer, flush=True)


def become(asked: dict) -> None:
    """Take the environment and the three files of a program that was started by itself."""
    os.environ.clear()
    os.environ.update(asked["environment"])
    for target, path, flags in (
        (0, os.devnull, os.O_RDONLY),
        (1, asked["said"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC),
        (2, asked["log"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC),
    ):
        opened = os.open(path, flags, 0o600)
        os.dup2(opened, target)
        os.close(opened)
    # What is left unread of the orders is not the program's.
    sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115 - the program's own


def ended(process: int, within_seconds: float) -> int:
    """Wait until a process has ended, kill it where it takes too long; return its status."""
    until = time.monotonic() + within_seconds
    while time.monotonic() < until:
        found, status = os.waitpid(process, os.WNOHANG)
        if found:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.01)
    os.kill(process, signal.SIGKILL)
    os.waitpid(process, 0)
    return -signal.SIGKILL


if __name__ == "__main__":
    main()
