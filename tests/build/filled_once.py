"""A ledger that begins like an earlier one is filled by copying what that one became.

Filling takes the real program's loading, reading and settling: a fifth of a second for each of
hundreds of tests. What came of it the first time is the same for whoever begins with the same
bytes: database, keys and settings.
"""

from __future__ import annotations

import atexit
import functools
import hashlib
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from registry.store.home import Ledger


def filled_once(fill: Callable[..., Any]) -> Callable[..., Any]:
    """Return `fill(ledger, ...)` so that it works once a process for each beginning.

    What it returns is kept too, unless that is the ledger. On PostgreSQL it works each time.
    """
    kept: dict[tuple[str, ...], tuple[Path, object]] = {}

    @functools.wraps(fill)
    def filled(ledger: Ledger, *given: object, **more: object) -> object:
        if ledger.engine.dialect.name != "sqlite":
            return fill(ledger, *given, **more)
        begins = (*_beginning(ledger), repr(given), repr(more))
        if begins not in kept:
            said = fill(ledger, *given, **more)
            kept[begins] = _copied(ledger), None if said is ledger else said
            return said
        folder, said = kept[begins]
        _put(folder, ledger)
        return ledger if said is None else said

    return filled


def _beginning(ledger: Ledger) -> tuple[str, ...]:
    """Return what everything that is filled in follows from."""
    files = [_closed(ledger), *sorted((ledger.home / "keys").rglob("*"))]
    digests = [hashlib.sha256(file.read_bytes()).hexdigest() for file in files if file.is_file()]
    return *digests, repr(ledger.settings)


def _closed(ledger: Ledger) -> Path:
    """Return the database's file, into which the last connection has folded its log."""
    ledger.engine.dispose()
    database = Path(ledger.engine.url.database or "")
    log = database.with_name(f"{database.name}-wal")
    assert not log.exists() or not log.stat().st_size, "somebody else has the ledger open"
    return database


def _copied(ledger: Ledger) -> Path:
    database = _closed(ledger)
    folder = Path(tempfile.mkdtemp(prefix="ledger-filled."))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    shutil.copytree(ledger.home, folder / "home")
    shutil.copy2(database, folder / "database")
    return folder


def _put(folder: Path, ledger: Ledger) -> None:
    """Put the kept ledger in the place of one that begins alike."""
    shutil.copytree(
        folder / "home", ledger.home, dirs_exist_ok=True, copy_function=_where_it_differs
    )
    shutil.copy2(folder / "database", _closed(ledger))


def _where_it_differs(source: str, target: str) -> str:
    there = Path(target)
    if not there.exists() or there.read_bytes() != Path(source).read_bytes():
        shutil.copy2(source, target)
    return target
