"""Bringing a ledger's schema up or down; apart, as few commands do so and alembic loads slowly."""

from __future__ import annotations

from typing import TYPE_CHECKING

from alembic import command
from alembic.config import Config
from sqlalchemy import text

from registry.domain.problems import FailureError
from registry.store import schema
from registry.store.session import translated

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

_POSTGRES_LOCK = 7_401_190


def _config(connection: Connection) -> Config:
    config = Config()
    folder = str(schema.migrations_folder()).replace("%", "%%")
    config.set_main_option("script_location", folder)
    config.attributes["connection"] = connection
    return config


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
    found = schema.revision_of(connection)
    goes_down = target == "base" or (found is not None and target != "head" and target < found)
    (command.downgrade if goes_down else command.upgrade)(config, target)
