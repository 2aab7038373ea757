"""A consistent copy of the database, taken while others may use it."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from contextlib import closing
from typing import TYPE_CHECKING

from sqlalchemy.engine import make_url

from registry.domain.problems import FailureError

if TYPE_CHECKING:
    from pathlib import Path

# Options of an address that libpq also takes from the environment, as PG and their name.
_OPTIONS = frozenset({"host", "port", "user", "sslmode", "sslrootcert", "sslcert", "sslkey"})


def copy_database(url: str, target: Path) -> Path:
    """Write a copy beside `target`'s name, readable by its owner alone; return its path.

    SQLite by its own backup interface, PostgreSQL by `pg_dump`'s custom format.
    """
    target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    parsed = make_url(url)
    if parsed.get_backend_name() == "sqlite":
        path = target.with_name(target.name + ".sqlite")
        with (
            closing(sqlite3.connect(str(parsed.database))) as source,
            closing(sqlite3.connect(path)) as copy,
        ):
            source.backup(copy)
    else:
        path = target.with_name(target.name + ".dump")
        _dump(parsed.set(drivername="postgresql").render_as_string(hide_password=False), path)
    path.chmod(0o600)
    return path


def _dump(url: str, path: Path) -> None:
    program = shutil.which("pg_dump")
    if program is None:
        raise FailureError(
            "pg_dump is needed to copy the database first; install PostgreSQL's client programs"
        )
    # The address goes by the environment: on a command line every user would see its password.
    done = subprocess.run(  # noqa: S603 - PostgreSQL's own program, nothing of a user's in it
        [program, "--format=custom", f"--file={path}"],
        env={**os.environ, **_environment_of(url)},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        path.unlink(missing_ok=True)
        said = done.stderr.strip().splitlines() or [f"status {done.returncode}"]
        raise FailureError(f"pg_dump failed: {said[-1]}")


def _environment_of(url: str) -> dict[str, str]:
    parsed = make_url(url)
    given = {
        "PGHOST": parsed.host,
        "PGPORT": None if parsed.port is None else str(parsed.port),
        "PGUSER": parsed.username,
        "PGPASSWORD": parsed.password,
        "PGDATABASE": parsed.database,
    }
    for option, value in parsed.query.items():
        if option in _OPTIONS:
            given[f"PG{option.upper()}"] = value if isinstance(value, str) else ",".join(value)
    return {name: value for name, value in given.items() if value is not None}
