"""The real program: its commands run in this process, and its pages served by another."""

from __future__ import annotations

import atexit
import functools
import json
import os
import re
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from tests.build.places import run_command

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).resolve().parents[2]
LISTENS_WITHIN_SECONDS = STOPS_WITHIN_SECONDS = 60


def environment() -> dict[str, str]:
    """Return this process's environment without a ledger's settings in it.

    No proposal is worked out beside a visit: it would come at another moment each time.
    """
    kept = {name: text for name, text in os.environ.items() if "PEDICLE_LEDGER_" not in name}
    return {**kept, "PEDICLE_LEDGER_MAKES_PROPOSALS": "false"}


def run(home: Path, command: str, *words: object) -> str:
    """Run a command on a ledger, which must succeed; return what it printed."""
    ended = run_command([command, *map(str, words), "--home", str(home)], environment())
    assert ended.status == 0, ended.err
    return ended.out


@dataclass
class Served:
    """A ledger that is being served.

    `accounts` are those that `signed_in` has made, by role.
    """

    home: Path
    address: str
    accounts: dict[str, str] = field(default_factory=dict)

    def url(self, path: str) -> str:
        return self.address + path.removeprefix("/")

    def run(self, command: str, *words: object) -> str:
        """Run a command on the ledger while it is served."""
        return run(self.home, command, *words)


class _Ready:
    """The process in which the program is loaded; it goes when this one does."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.journeys.ready_program"],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        atexit.register(self._process.communicate)

    def ask(self, **order: object) -> int:
        assert self._process.stdin
        assert self._process.stdout
        self._process.stdin.write(json.dumps(order) + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())


@functools.cache
def _ready() -> _Ready:
    return _Ready()


@contextmanager
def serving(home: Path) -> Iterator[Served]:
    """Serve a ledger on a free port; at the end it must leave in order and have failed nowhere."""
    log, said = (home.parent / f"{home.name}.served.{name}" for name in ("log", "said"))
    for file in (log, said):
        file.touch()
    process = _ready().ask(
        home=str(home.absolute()), environment=environment(), log=str(log), said=str(said)
    )
    status: int | None = None
    try:
        found = re.search(r"http://127\.0\.0\.1:\d+/", _first_line(said))
        assert found, said.read_text(encoding="utf-8") + log.read_text(encoding="utf-8")
        yield Served(home, found[0])
        os.kill(process, signal.SIGTERM)
        status = _ready().ask(ended=process, within_seconds=STOPS_WITHIN_SECONDS)
    finally:
        if status is None:
            os.kill(process, signal.SIGKILL)
            _ready().ask(ended=process, within_seconds=STOPS_WITHIN_SECONDS)
    assert status == 0
    told = log.read_text(encoding="utf-8")
    assert '"level": "error"' not in told, told
    assert "Traceback" not in told, told


def _first_line(said: Path) -> str:
    """Wait for what the program says once it listens."""
    until = time.monotonic() + LISTENS_WITHIN_SECONDS
    while time.monotonic() < until:
        text = said.read_text(encoding="utf-8")
        if "\n" in text:
            return text.partition("\n")[0]
        time.sleep(0.01)
    return ""
