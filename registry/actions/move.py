"""Move a ledger's database to another one: SQLite to PostgreSQL, and back."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from registry.actions.check_ledger import wrong_within
from registry.actions.steward_notes import keep_present_head
from registry.domain.access import Deed, Reach, Viewer, require
from registry.domain.problems import FailureError
from registry.store.configuration import PREFIX
from registry.store.filling import clear, finish, require_empty
from registry.store.home import database_url
from registry.store.moving import copy_rows, require_another, writers_held
from registry.store.private_files import in_words

if TYPE_CHECKING:
    from datetime import datetime

    from registry.store.home import Ledger


@dataclass(frozen=True)
class Moved:
    """What was copied.

    Attributes
    ----------
    tables : digest and count of the rows of each, the same in both databases
    """

    tables: dict[str, tuple[str, int]]

    @property
    def rows(self) -> int:
        """Return how many rows there are."""
        return sum(count for _, count in self.tables.values())


def move(ledger: Ledger, viewer: Viewer, address: str, now: datetime) -> Moved:
    """Copy every row into an empty database; the ledger's own is left as it was.

    Nobody can write meanwhile. The copy opens only once it was checked; its trail gains no event,
    for it must end where the other ends.
    """
    require(viewer, Deed.BACK_UP, at_least=Reach.ALL)
    url = database_url(ledger.home, {PREFIX + "DATABASE": address})
    require_another(ledger.url, url)
    # Same home, so the same keys, images and settings.
    other = replace(ledger, url=url)
    file = _file_to_make(other)
    try:
        require_empty(other.engine)
        try:
            return _copy(ledger, other, now)
        except BaseException:
            clear(other.engine)
            if file is not None:
                file.unlink(missing_ok=True)
            raise
    finally:
        other.close()


def _file_to_make(other: Ledger) -> Path | None:
    """Return the file that a move to SQLite will make, made for its owner alone."""
    if other.engine.dialect.name != "sqlite":
        return None
    file = Path(str(other.engine.url.database))
    if file.exists():
        return None
    with in_words(file):
        file.touch(mode=0o600, exist_ok=False)
    return file


def _copy(ledger: Ledger, other: Ledger, now: datetime) -> Moved:
    with writers_held(ledger.engine) as source:
        tables = copy_rows(source, other.engine)
        found = wrong_within(other)
        if found:
            raise FailureError(
                f"nothing was moved, for {len(found)} things are not as the trail says, the first: "
                f"{found[0].line()}; look at what `pedicle-ledger verify` says of the ledger"
            )
        keep_present_head(other, "move", now)
        finish(other.engine)
    return Moved(tables)
