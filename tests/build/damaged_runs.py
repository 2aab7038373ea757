"""Runs of `damaged_child`, each in a process of its own, so that one that dies is seen."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

MOST_MEGABYTES = 400
"""More than the program itself with its libraries needs, less than one bomb."""


def run_damaged(folder: Path, *, first: int, count: int) -> str:
    """Load the damaged CTs of these numbers; return what the run said of itself."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.build.damaged_child", str(first), str(count), str(folder)],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr[-4000:]}"
    said = done.stdout.splitlines()[-1]
    assert int(said.rpartition("most memory ")[2].split()[0]) < MOST_MEGABYTES
    # Both ways were walked: damage that is refused, and damage that does no harm.
    assert "refused" in said
    assert "known" in said
    return said
