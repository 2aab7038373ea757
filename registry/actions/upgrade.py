"""Bring a ledger's schema up to this program, after a backup of what was there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.accounts import acting
from registry.actions.backup import keep_backup
from registry.actions.resettle import resettle
from registry.actions.steward_notes import note
from registry.domain.problems import FailureError
from registry.store import migrating, schema
from registry.store.home import open_unchecked

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path


@dataclass(frozen=True)
class Upgraded:
    """What was done.

    Attributes
    ----------
    copy : the backup of the ledger as it was, or None where nothing was to be done
    is_new_key : the key of backups was made for it, and is in no copy of the keys yet
    unnoted : why the trail took no event, or None
    resettled : how many screws' consensus was worked out again, by the present rule
    """

    revision: str
    copy: Path | None = None
    is_new_key: bool = False
    unnoted: str | None = None
    resettled: int = 0


def upgrade(home: Path, environment: Mapping[str, str], now: datetime) -> Upgraded:
    """Back the ledger up, then migrate it and settle what another rule settled.

    A ledger that is newer is left alone.
    """
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
            return Upgraded(known, resettled=resettle(ledger, now))
        folder = home / "before-upgrade"
        folder.mkdir(mode=0o700, exist_ok=True)
        copy = folder / f"{found}-{now:%Y%m%dT%H%M%SZ}.backup"
        is_new_key, _ = keep_backup(ledger, copy, now)
        migrating.migrate(ledger.engine)
        said = f"from schema {found} to {known}; {copy.name} has it as it was"
        unnoted = note(ledger, acting(ledger, None), "upgrade the ledger", said, now)
        # A trail that takes no event takes no other consensus either; `verify` says what is wrong.
        resettled = 0 if unnoted else resettle(ledger, now)
        return Upgraded(known, copy, is_new_key, unnoted, resettled)
    finally:
        ledger.close()
