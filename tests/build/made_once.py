"""What is slow to make and only looked at, made once for all the processes that run the tests."""

from __future__ import annotations

import atexit
import fcntl
import functools
import os
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from registry.store.home import open_ledger

if TYPE_CHECKING:
    from collections.abc import Callable

    import pytest

    from registry.store.home import Ledger


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """Return a folder that one of the processes that run the tests has filled."""
    base = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        base = base.parent
    folder = base / f"made-{name}"
    with (base / f"made-{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "finished").is_file():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            make(folder)
            (folder / "finished").touch()
    return folder


def copied(make: Callable[[Path], Ledger]) -> Callable[[Path], Ledger]:
    """Return `make(home)`, which returns a new ledger on SQLite, so that it works once a process.

    What it made then is copied, keys and all, and opened.
    """

    @functools.cache
    def made() -> Path:
        folder = Path(tempfile.mkdtemp(prefix="ledger-made."))
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
        make(folder / "home").close()
        return folder / "home"

    @functools.wraps(make)
    def copy(home: Path) -> Ledger:
        shutil.copytree(made(), home)
        return open_ledger(home, {})

    return copy
