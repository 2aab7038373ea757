"""Where a test's ledger lives: a folder of its own, and a database of its own on either server.

A ledger is made once a process and copied for each test, which is much quicker than migrating.
`PEDICLE_LEDGER_TEST_POSTGRES` names the PostgreSQL server, with the right to make databases.
"""

from __future__ import annotations

import contextlib
import io
import logging
import os
import secrets
import shutil
import sqlite3
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from unittest import mock

from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from registry.actions.initialise import initialise
from registry.cli.main import main
from registry.store.home import open_ledger
from registry.store.session import make_engine

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from registry.store.home import Ledger

SERVER = "PEDICLE_LEDGER_TEST_POSTGRES"
KINDS = ["sqlite", "postgresql"] if os.environ.get(SERVER) else ["sqlite"]
MADE_AT = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Place:
    """A folder, and the environment that names the database."""

    home: Path
    environment: dict[str, str] = field(default_factory=dict)

    @property
    def kind(self) -> str:
        return "postgresql" if self.environment else "sqlite"

    @property
    def url(self) -> str:
        return self.environment.get(
            "PEDICLE_LEDGER_DATABASE", f"sqlite:///{self.home}/ledger.sqlite"
        )

    def open(self) -> Ledger:
        return open_ledger(self.home, self.environment)

    def command(self, *arguments: object) -> Answer:
        """Run a command in this process."""
        return run_command([*map(str, arguments)], self.all_environment())

    def all_environment(self) -> dict[str, str]:
        kept = {name: value for name, value in os.environ.items() if "PEDICLE_" not in name}
        return kept | self.environment | {"PEDICLE_LEDGER_HOME": str(self.home)}

    @contextlib.contextmanager
    def raw(self) -> Iterator[object]:
        """Give a connection behind the program's back; whatever it does is kept."""
        engine = make_engine(self.url)
        try:
            with engine.connect() as connection, connection.begin():
                yield connection
        finally:
            engine.dispose()


@dataclass(frozen=True)
class Answer:
    """What a command said, and how it ended."""

    status: int
    out: str
    err: str


def run_command(arguments: list[str], environment: dict[str, str]) -> Answer:
    """Run a command in this process, which saves a second of imports."""
    out, err = io.StringIO(), io.StringIO()
    handlers = logging.getLogger().handlers[:]
    with (
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        mock.patch.dict(os.environ, environment, clear=True),
    ):
        try:
            status = main(arguments)
        except SystemExit as left:
            status = int(left.code or 0)
        finally:
            logging.getLogger().handlers[:] = handlers
    return Answer(status, out.getvalue(), err.getvalue())


class Server:
    """The PostgreSQL server: makes databases and drops them again."""

    def __init__(self) -> None:
        self.url = make_url(os.environ[SERVER])
        self.engine = create_engine(self.url, isolation_level="AUTOCOMMIT")

    def create(self, template: str = "template1", name: str = "") -> str:
        """Make a database, under a new name unless one is given; return its name."""
        name = name or f"ledger_test_{secrets.token_hex(6)}"
        self.run(f'CREATE DATABASE "{name}" TEMPLATE "{template}"')
        return name

    def drop(self, name: str) -> None:
        self.run(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')

    def address(self, name: str) -> str:
        return self.url.set(database=name).render_as_string(hide_password=False)

    def run(self, statement: str) -> None:
        with self.engine.connect() as connection:
            connection.execute(text(statement))


class Templates:
    """One made ledger of each kind, kept for the process and copied for each test."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._made: dict[str, str] = {}
        self._server: Server | None = None

    @property
    def server(self) -> Server:
        if self._server is None:
            self._server = Server()
        return self._server

    @contextlib.contextmanager
    def empty(self, kind: str, home: Path) -> Iterator[Place]:
        """Give a place without a ledger."""
        if kind == "sqlite":
            yield Place(home)
            return
        name = self.server.create()
        try:
            yield Place(home, {"PEDICLE_LEDGER_DATABASE": self.server.address(name)})
        finally:
            self.server.drop(name)

    @contextlib.contextmanager
    def copied(self, kind: str, home: Path) -> Iterator[Place]:
        """Give a place with a ledger that has the shell's own account and nothing else."""
        name = self._template(kind)
        shutil.copytree(self._folder / kind, home)
        if kind == "sqlite":
            yield Place(home)
            return
        copy = self.server.create(name)
        try:
            yield Place(home, {"PEDICLE_LEDGER_DATABASE": self.server.address(copy)})
        finally:
            self.server.drop(copy)

    def _template(self, kind: str) -> str:
        if kind not in self._made:
            name = self.server.create() if kind == "postgresql" else ""
            address = {"PEDICLE_LEDGER_DATABASE": self.server.address(name)} if name else {}
            initialise(self._folder / kind, address, MADE_AT).close()
            if not name:
                # Folded into one file, so that a copy of the folder is a copy of the ledger.
                with contextlib.closing(
                    sqlite3.connect(self._folder / kind / "ledger.sqlite")
                ) as d:
                    d.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            self._made[kind] = name
        return self._made[kind]

    def close(self) -> None:
        for name in filter(None, self._made.values()):
            self.server.drop(name)
        if self._server is not None:
            self._server.engine.dispose()
