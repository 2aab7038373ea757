"""Fixtures of every room: a ledger on each database."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.build.chromium import chromium
from tests.build.places import KINDS, Place, Templates

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser

    from registry.store.home import Ledger

_ON_EACH = [
    pytest.param(kind, marks=pytest.mark.postgres if kind == "postgresql" else ()) for kind in KINDS
]


@pytest.fixture(scope="session")
def templates(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Templates]:
    """Give the made ledgers that tests copy."""
    made = Templates(tmp_path_factory.mktemp("templates"))
    yield made
    made.close()


@pytest.fixture(params=_ON_EACH)
def place(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, templates: Templates
) -> Iterator[Place]:
    """Give a new ledger's place, on each database in turn."""
    with templates.copied(request.param, tmp_path_factory.mktemp("place") / "home") as found:
        yield found


@pytest.fixture(params=_ON_EACH)
def empty_place(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, templates: Templates
) -> Iterator[Place]:
    """Give a place without a ledger, on each database in turn."""
    with templates.empty(request.param, tmp_path_factory.mktemp("empty") / "home") as found:
        yield found


@pytest.fixture
def ledger(place: Place) -> Iterator[Ledger]:
    """Give a new ledger, opened, on each database in turn."""
    opened = place.open()
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Give the browser of this process."""
    with chromium() as opened:
        yield opened
