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
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, inspect, literal, select, table, union_all

from registry.store.models.trail import TrailHead
from tests.build.places import Server

if TYPE_CHECKING:
    from collections.abc import Callable

    from registry.store.home import Ledger


def filled_once(fill: Callable[..., Any]) -> Callable[..., Any]:
    """Return `fill(ledger, ...)` so that it works once a process for each beginning.

    What it returns is kept too, unless that is the ledger.
    """
    kept: dict[tuple[str, ...], tuple[_Kept, object]] = {}

    @functools.wraps(fill)
    def filled(ledger: Ledger, *given: object, **more: object) -> object:
        begins = (*_beginning(ledger), repr(given), repr(more))
        if begins not in kept:
            said = fill(ledger, *given, **more)
            kept[begins] = _kept(ledger), None if said is ledger else said
            return said
        copy, said = kept[begins]
        shutil.copytree(copy.home, ledger.home, dirs_exist_ok=True, copy_function=_if_it_differs)
        copy.database(ledger)
        return ledger if said is None else said

    return filled


@dataclass(frozen=True)
class _Kept:
    """What a ledger became: its folder, and what puts its database in the place of another's."""

    home: Path
    database: Callable[[Ledger], None]


def _beginning(ledger: Ledger) -> tuple[str, ...]:
    """Return what everything that is filled in follows from."""
    if ledger.engine.dialect.name == "sqlite":
        database = hashlib.sha256(_closed(ledger).read_bytes()).hexdigest()
    else:
        database = repr(_rows(ledger))
    keys = sorted((ledger.home / "keys").rglob("*"))
    digests = [hashlib.sha256(key.read_bytes()).hexdigest() for key in keys if key.is_file()]
    return database, *digests, repr(ledger.settings)


def _rows(ledger: Ledger) -> list[object]:
    """Return the trail's last word, which all that it tracks follows from, and how many rows."""
    counts = [
        select(literal(name), func.count()).select_from(table(name))
        for name in sorted(inspect(ledger.engine).get_table_names())
    ]
    with ledger.engine.connect() as connection:
        trail = connection.execute(select(TrailHead.__table__.c.head)).all()
        return [*trail, *connection.execute(union_all(*counts)).all()]


def _kept(ledger: Ledger) -> _Kept:
    folder = Path(tempfile.mkdtemp(prefix="ledger-filled."))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    if ledger.engine.dialect.name == "sqlite":
        shutil.copy2(_closed(ledger), folder / "database")
        put = functools.partial(_copy_file, folder / "database")
    else:
        put = functools.partial(_copy_database, _copied_database(ledger))
    shutil.copytree(ledger.home, folder / "home")
    return _Kept(folder / "home", put)


def _closed(ledger: Ledger) -> Path:
    """Return the database's file, into which the last connection has folded its log."""
    ledger.engine.dispose()
    database = Path(ledger.engine.url.database or "")
    log = database.with_name(f"{database.name}-wal")
    assert not log.exists() or not log.stat().st_size, "somebody else has the ledger open"
    return database


def _copy_file(kept: Path, ledger: Ledger) -> None:
    shutil.copy2(kept, _closed(ledger))


def _copied_database(ledger: Ledger) -> str:
    server = Server()
    ledger.engine.dispose()
    name = server.create(template=ledger.engine.url.database or "")
    atexit.register(server.engine.dispose)
    atexit.register(server.drop, name)
    return name


def _copy_database(kept: str, ledger: Ledger) -> None:
    server, name = Server(), ledger.engine.url.database or ""
    ledger.engine.dispose()
    server.drop(name)
    server.create(template=kept, name=name)
    server.engine.dispose()


def _if_it_differs(source: str, target: str) -> str:
    there = Path(target)
    if not there.exists() or there.read_bytes() != Path(source).read_bytes():
        shutil.copy2(source, target)
    return target
