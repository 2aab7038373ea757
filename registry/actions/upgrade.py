"""Bring a ledger's schema up to this program, after a copy of what was there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.domain.problems import FailureError
from registry.store import schema
from registry.store.copying import copy_database
from registry.store.home import open_unchecked

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path


@dataclass(frozen=True)
class Upgraded:
    """What was done; `copy` is the file or dump of the database as it was."""

    revision: str
    changed: bool
    copy: Path | None


def upgrade(home: Path, environment: Mapping[str, str], now: datetime) -> Upgraded:
    """Copy the database, then migrate it; a ledger that is newer is left alone."""
    if not (home / "keys").is_dir():
        raise FailureError(
            f"there is no ledger in {home}; make one with `pedicle-ledger init --home {home}`"
        )
    ledger = open_unchecked(home, environment)
    try:
        found, known = schema.current(ledger.engine), schema.newest()
        if found is None or found > known:
            schema.require_current(ledger.engine)
        if found == known:
            return Upgraded(known, changed=False, copy=None)
        stamp = now.strftime("%Y%m%dT%H%M%SZ")
        copy = copy_database(ledger.url, home / "before-upgrade" / f"{found}-{stamp}")
        schema.migrate(ledger.engine)
        return Upgraded(known, changed=True, copy=copy)
    finally:
        ledger.close()
