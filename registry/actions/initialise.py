"""Make an empty ledger with its keys and the shell's own account."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.domain.problems import ConflictError, Fault
from registry.store import migrating, schema
from registry.store.home import Ledger, open_unchecked, start_trail
from registry.store.keys import Keys
from registry.store.models.people import Account
from registry.store.queries.people import local_operator

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

LOCAL_OPERATOR = "local operator"


def initialise(home: Path, environment: Mapping[str, str], now: datetime) -> Ledger:
    """Return a new ledger in `home`; ConflictError where one is there already."""
    home.mkdir(mode=0o700, parents=True, exist_ok=True)
    ledger = open_unchecked(home, environment)
    try:
        _make(ledger, home, now)
    except BaseException:
        ledger.close()
        raise
    return ledger


def _make(ledger: Ledger, home: Path, now: datetime) -> None:
    """Make what is missing; the shell's account comes last, so what was cut off can go on."""
    if schema.current(ledger.engine) is not None:
        schema.require_current(ledger.engine)
        with ledger.reading() as session:
            is_made = local_operator(session) is not None
        if is_made:
            raise ConflictError(
                Fault(f"there is a ledger in {home} already", mend="nothing was changed")
            )
    Keys.create(home / "keys")
    (home / "images").mkdir(mode=0o700, exist_ok=True)
    migrating.migrate(ledger.engine)
    if ledger.engine.dialect.name == "sqlite":
        Path(str(ledger.engine.url.database)).chmod(0o600)
    start_trail(ledger)
    with ledger.writing(LOCAL_OPERATOR, now) as work:
        work.insert(
            Account,
            "make the shell's account",
            name=LOCAL_OPERATOR,
            is_local_operator=True,
            is_disabled=False,
        )
