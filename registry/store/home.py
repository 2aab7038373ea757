"""A ledger: its folder, database, images, settings and keys, opened together."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from registry.domain.problems import BadInputError, FailureError, Fault
from registry.domain.trail import GENESIS, head_seal
from registry.store import schema
from registry.store.configuration import PREFIX, read_settings
from registry.store.images import ImageStore
from registry.store.keys import Keys
from registry.store.models.trail import TrailHead
from registry.store.pictures import PictureStore
from registry.store.sealed_quarters import SealedQuarters
from registry.store.session import make_engine, reading, untracked, writing
from registry.store.spool import Spool
from registry.store.worked_out import WorkedOut

if TYPE_CHECKING:
    from collections.abc import Mapping
    from contextlib import AbstractContextManager
    from datetime import datetime

    from sqlalchemy import Engine
    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer
    from registry.domain.settings import Settings
    from registry.store.writing import Writing


@dataclass(frozen=True)
class Ledger:
    """One unit's ledger.

    Attributes
    ----------
    home : folder that holds it
    url : SQLAlchemy URL of its database
    settings : as read at opening
    """

    home: Path
    url: str = field(repr=False)
    settings: Settings

    @cached_property
    def engine(self) -> Engine:
        """The database's engine."""
        return make_engine(self.url)

    @property
    def keys(self) -> Keys:
        """The keys, read when used."""
        return Keys(self.home / "keys")

    @cached_property
    def images(self) -> ImageStore:
        """The write-once images."""
        return ImageStore(self.home / "images")

    @cached_property
    def pictures(self) -> PictureStore:
        """The pictures that readings were made on, in the same folder."""
        return PictureStore(self.home / "images")

    @cached_property
    def sealed_quarters(self) -> SealedQuarters:
        """The sealed files of quarters, in the same folder."""
        return SealedQuarters(self.home / "images")

    @cached_property
    def counted(self) -> WorkedOut[Any]:
        """The screws that the audit counts, as `actions.counted_unit` has them ready."""
        return WorkedOut()

    @property
    def spool(self) -> Spool:
        """What came in and waits to be read."""
        keep_free = self.settings.keep_free_mb * 1_000_000
        return Spool(self.home / "incoming", self.keys, keep_free)

    def reading(self) -> AbstractContextManager[Session]:
        """Give a session that reads."""
        return reading(self.engine)

    def writing(self, viewer: Viewer | str, now: datetime) -> AbstractContextManager[Writing]:
        """Give a transaction that writes, in the name of a viewer."""
        actor = viewer if isinstance(viewer, str) else actor_name(viewer)
        settings = self.settings.written()
        return writing(self.engine, key=self.keys.trail, actor=actor, now=now, settings=settings)

    def untracked(self) -> AbstractContextManager[Session]:
        """Give a transaction outside the trail, for sign-ins."""
        return untracked(self.engine)

    def close(self) -> None:
        """Close the database's connections."""
        self.engine.dispose()


def actor_name(viewer: Viewer) -> str:
    """Return how the trail names a viewer: the shell's own account says where it came from."""
    return f"{viewer.name} (shell)" if viewer.is_local_operator else viewer.name


def home_folder(given: str | None, environment: Mapping[str, str]) -> Path:
    """Return the ledger's folder: as given, else the environment's, else ./ledger."""
    return Path(given or environment.get(PREFIX + "HOME") or "ledger")


def database_url(home: Path, environment: Mapping[str, str]) -> str:
    """Return the database's URL: the environment's, else SQLite in the home."""
    given = environment.get(PREFIX + "DATABASE")
    if not given:
        return f"sqlite:///{(home / 'ledger.sqlite').absolute()}"
    if given.startswith("postgresql://"):
        given = given.replace("postgresql://", "postgresql+psycopg://", 1)
    if not given.startswith(("sqlite:", "postgresql+")):
        raise BadInputError(
            Fault(
                "not a database the ledger knows", PREFIX + "DATABASE", "use PostgreSQL or SQLite"
            )
        )
    return given


def open_ledger(home: Path, environment: Mapping[str, str] | None = None) -> Ledger:
    """Return the ledger in `home`; FailureError in one line where none fits this program."""
    environment = os.environ if environment is None else environment
    if not (home / "keys").is_dir():
        raise FailureError(
            f"there is no ledger in {home}; make one with `pedicle-ledger init --home {home}`"
        )
    ledger = _open(home, environment)
    try:
        schema.require_current(ledger.engine)
    except BaseException:
        ledger.close()
        raise
    return ledger


def open_unchecked(home: Path, environment: Mapping[str, str]) -> Ledger:
    """Return the ledger whatever its schema's version, for `init` and `upgrade` alone."""
    return _open(home, environment)


def _open(home: Path, environment: Mapping[str, str]) -> Ledger:
    settings = read_settings(home / "config.toml", environment)
    return Ledger(home, database_url(home, environment), settings)


def start_trail(ledger: Ledger) -> None:
    """Write the head of an empty trail."""
    with ledger.untracked() as session:
        if session.get(TrailHead, 1) is None:
            seal = head_seal(ledger.keys.trail, 0, GENESIS)
            session.add(TrailHead(id=1, length=0, head=GENESIS, seal=seal))
