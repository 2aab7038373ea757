"""The schema's version: what the program knows, what the ledger has, and whether the two fit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import inspect, text

from registry.domain.problems import FailureError
from registry.store.session import translated

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

_ROOM = Path(__file__).resolve().parents[1]

UNFINISHED = "unfinished"
"""Stands in place of the revision while a ledger is being restored or moved to its place."""


def migrations_folder() -> Path:
    """Return the migrations: packed beside the program, or the checkout's."""
    packed = _ROOM / "_migrations"
    return packed if packed.is_dir() else _ROOM.parent / "migrations"


def is_known(revision: str) -> bool:
    """Return whether this program has the step of that number."""
    return revision in _revisions()


def newest() -> str:
    """Return the revision that this program knows."""
    revisions = _revisions()
    if not revisions:
        raise FailureError("the program's migrations are missing; install it again")
    return max(revisions)


def _revisions() -> set[str]:
    """Return the steps' numbers, with which their files' names begin."""
    files = (migrations_folder() / "versions").glob("[0-9]*_*.py")
    return {file.name.partition("_")[0] for file in files}


def current(engine: Engine) -> str | None:
    """Return the ledger's revision, or None for an empty database."""
    with translated(), engine.connect() as connection:
        return revision_of(connection)


def revision_of(connection: Connection) -> str | None:
    """Return what `current` does, inside the caller's own transaction."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return None if found is None else str(found)


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
