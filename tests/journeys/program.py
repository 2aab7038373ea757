"""The real program: its commands run in this process, and its pages served by another."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from tests.build.places import run_command

if TYPE_CHECKING:
    from collections.abc import Iterator

PROGRAM = Path(sys.executable).with_name("pedicle-ledger")
STOPS_WITHIN_SECONDS = 60


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


@contextmanager
def serving(home: Path) -> Iterator[Served]:
    """Serve a ledger on a free port; at the end it must leave in order and have failed nowhere."""
    log = home.parent / f"{home.name}.served.log"
    with (
        log.open("w", encoding="utf-8") as errors,
        subprocess.Popen(
            [PROGRAM, "serve", "--port", "0", "--home", home],
            env=environment(),
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
        ) as process,
    ):
        try:
            assert process.stdout is not None
            first = process.stdout.readline()
            found = re.search(r"http://127\.0\.0\.1:\d+/", first)
            assert found, first + log.read_text(encoding="utf-8")
            yield Served(home, found[0])
            process.send_signal(signal.SIGTERM)
            process.communicate(timeout=STOPS_WITHIN_SECONDS)
        finally:
            process.kill()
    assert process.returncode == 0
    told = log.read_text(encoding="utf-8")
    assert '"level": "error"' not in told, told
    assert "Traceback" not in told, told
