"""A small ledger that is made once and copied for each test, and clients that are signed in."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING
from unittest import mock

import pytest
from flask import Flask
from jinja2 import BytecodeCache
from werkzeug.routing import Rule

from registry.store.home import open_ledger
from registry.web.app import create_app
from tests.build.ledgers import NOW, PASSWORD, a_small_ledger
from tests.build.loaded import NOW as LOADED_AT
from tests.build.made_once import made_once
from tests.web.every_route import an_attacked_ledger
from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from flask.testing import FlaskClient
    from jinja2.bccache import Bucket

    from registry.store.home import Ledger
    from tests.build.ledgers import KnownAccount


ATTACKED_AT = LOADED_AT + timedelta(hours=2)


@dataclass
class Clock:
    """A clock that a test puts forward."""

    instant: datetime = field(default=NOW + timedelta(hours=1))

    def __call__(self) -> datetime:
        return self.instant


class _KeptTemplates(BytecodeCache):
    """Keeps what templates are compiled to, for every application of this process."""

    def __init__(self) -> None:
        self._kept: dict[str, bytes] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        # The key is the template's name and place; a changed text is told by its own sum.
        if bucket.key in self._kept:
            bucket.bytecode_from_string(self._kept[bucket.key])

    def dump_bytecode(self, bucket: Bucket) -> None:
        self._kept[bucket.key] = bucket.bytecode_to_string()


@pytest.fixture(autouse=True, scope="session")
def _applications_are_made_quickly() -> Iterator[None]:
    """Compile templates once a process, and what makes a route's addresses when one is asked for.

    That is most of what making an application takes, and nearly every test here makes one.
    """
    write, kept = Rule._compile_builder, _KeptTemplates()

    def write_later(rule: Rule, append_unknown: bool = True) -> Callable[..., tuple[str, str]]:  # noqa: FBT001, FBT002 - as Werkzeug has it
        written: list[Callable[..., tuple[str, str]]] = []

        def address(of: Rule, /, **values: str) -> tuple[str, str]:
            if not written:
                written.append(write(rule, append_unknown))
            return written[0](of, **values)

        return address

    with (
        mock.patch.object(Rule, "_compile_builder", write_later),
        mock.patch.object(Flask, "jinja_options", Flask.jinja_options | {"bytecode_cache": kept}),
    ):
        yield


@pytest.fixture(scope="session")
def made_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = made_once(tmp_path_factory, "web", lambda to: a_small_ledger(to / "ledger").close())
    return made / "ledger"


@pytest.fixture
def ledger(made_home: Path, tmp_path: Path) -> Iterator[Ledger]:
    home = tmp_path / "ledger"
    shutil.copytree(made_home, home)
    opened = open_ledger(home, {})
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def attacked_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a ledger with a row of every record, made once and only to be copied."""
    made = made_once(tmp_path_factory, "attacked", lambda to: an_attacked_ledger(to / "ledger", to))
    return made / "ledger"


@pytest.fixture
def attacked(attacked_home: Path, tmp_path: Path) -> Iterator[Ledger]:
    """Give a ledger to be attacked."""
    shutil.copytree(attacked_home, tmp_path / "attacked")
    opened = open_ledger(tmp_path / "attacked", {})
    yield opened
    opened.close()


@pytest.fixture
def attacked_app(attacked: Ledger) -> Flask:
    made = create_app(attacked, clock=lambda: ATTACKED_AT)
    made.config["TESTING"] = True
    return made


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def app(ledger: Ledger, clock: Clock) -> Flask:
    made = create_app(ledger, clock=clock)
    made.config["TESTING"] = True
    return made


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


@pytest.fixture
def client_of(app: Flask) -> Callable[[KnownAccount], FlaskClient]:
    """Return a client that has signed in through the form."""

    def sign_in(account: KnownAccount) -> FlaskClient:
        client = app.test_client()
        sent = {
            "csrf_token": form_token(client.get("/sign-in").text),
            "name": account.name,
            "password": PASSWORD,
        }
        assert client.post("/sign-in", data=sent).status_code == 303
        return client

    return sign_in
