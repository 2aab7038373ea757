"""A small ledger that is made once and copied for each test, and clients that are signed in."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import pytest

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

    from flask import Flask
    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from tests.build.ledgers import KnownAccount


ATTACKED_AT = LOADED_AT + timedelta(hours=2)


@dataclass
class Clock:
    """A clock that a test puts forward."""

    instant: datetime = field(default=NOW + timedelta(hours=1))

    def __call__(self) -> datetime:
        return self.instant


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
