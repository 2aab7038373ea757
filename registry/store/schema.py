"""The schema's version: create, migrate, and say when program and ledger do not fit."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text

from registry.domain.problems import FailureError
from registry.store.session import translated

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

_ROOM = Path(__file__).resolve().parents[1]
_POSTGRES_LOCK = 7_401_190

UNFINISHED = "unfinished"
"""Stands in place of the revision while a ledger is being restored or moved to its place."""


def migrations_folder() -> Path:
    """Return the migrations: packed beside the program, or the checkout's."""
    packed = _ROOM / "_migrations"
    return packed if packed.is_dir() else _ROOM.parent / "migrations"


def _config(connection: Connection) -> Config:
    config = Config()
    config.set_main_option("script_location", str(migrations_folder()).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def is_known(revision: str) -> bool:
    """Return whether this program has the step of that number."""
    return revision in _revisions(migrations_folder())


def newest() -> str:
    """Return the revision that this program knows."""
    revisions = _revisions(migrations_folder())
    if not revisions:
        raise FailureError("the program's migrations are missing; install it again")
    return revisions[0]


@cache
def _revisions(folder: Path) -> tuple[str, ...]:
    """Return the numbers of a folder's steps, the newest first; a running program has no others."""
    config = Config()
    config.set_main_option("script_location", str(folder).replace("%", "%%"))
    return tuple(found.revision for found in ScriptDirectory.from_config(config).walk_revisions())


def current(engine: Engine) -> str | None:
    """Return the ledger's revision, or None for an empty database."""
    with translated(), engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def migrate(engine: Engine, target: str = "head") -> None:
    """Bring the schema to a revision, "head" or "base".

    On PostgreSQL a lock keeps two upgrades apart.
    """
    with translated(), engine.connect() as connection:
        if connection.dialect.name == "sqlite":
            _migrate_sqlite(connection, target)
        else:
            with connection.begin():
                connection.execute(
                    text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _POSTGRES_LOCK}
                )
                step(connection, target)


def _migrate_sqlite(connection: Connection, target: str) -> None:
    # A table that a step rebuilds loses its children with foreign keys on, so they are checked
    # at the end instead.
    raw = connection.connection.driver_connection
    assert raw is not None  # noqa: S101 - an open connection has one
    raw.execute("PRAGMA foreign_keys = OFF")
    try:
        with connection.execution_options(writes=True).begin():
            step(connection, target)
            broken = connection.execute(text("PRAGMA foreign_key_check")).fetchall()
            if broken:
                raise FailureError(f"the migration would leave {len(broken)} rows without a parent")
    finally:
        raw.execute("PRAGMA foreign_keys = ON")


def step(connection: Connection, target: str) -> None:
    """Bring the schema to a revision inside the caller's own transaction."""
    config = _config(connection)
    found = MigrationContext.configure(connection).get_current_revision()
    goes_down = target == "base" or (found is not None and target != "head" and target < found)
    (command.downgrade if goes_down else command.upgrade)(config, target)


def require_current(engine: Engine) -> None:
    """Raise FailureError in one line where program and ledger do not fit."""
    found, known = current(engine), newest()
    if found is None:
        raise FailureError("there is no ledger here yet; make one with `pedicle-ledger init`")
    if found == UNFINISHED:
        raise FailureError(
            "a ledger was being restored or moved to this database and that was cut off; run the "
            "same `pedicle-ledger restore` or `pedicle-ledger move` again"
        )
    if found < known:
        raise FailureError(
            f"the ledger is at schema {found}, older than this program ({known}); run "
            "`pedicle-ledger upgrade`"
        )
    if found > known:
        raise FailureError(
            f"the ledger is at schema {found}, newer than this program ({known}); install a newer "
            "program"
        )
