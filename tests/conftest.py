"""Fixtures of every room: a ledger on each database."""

from __future__ import annotations

import gc
import os
import re
import zlib
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.build.chromium import chromium
from tests.build.compiled_once import compiled_once
from tests.build.places import KINDS, Place, Templates

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser

    from registry.store.home import Ledger

# Rooms whose tests run on SQLite and a twenty-fourth of them on PostgreSQL as well, always the same
# ones; the store's, the migrations' and every test of things that happen at once run on both. With
# this in the environment all do.
_ON_EVERY_DATABASE = "PEDICLE_LEDGER_TEST_ON_EVERY_DATABASE"
_SHARED_ROOMS = {"actions", "cli", "published", "house"}
_ALWAYS = re.compile(r"at_once|same_moment|meanwhile|kill|cut_off|two_|each_query|while_")
_ONE_IN = 24
# The tab key goes through a fixed sixth of the pages; axe-core looks at every one.
_BY_TAB, _BY_TAB_ONE_IN = "test_every_control_is_reached_by_tab", 6
_ON_EACH = [
    pytest.param(kind, marks=pytest.mark.postgres if kind == "postgresql" else ()) for kind in KINDS
]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave what is run in shares to those who ask for all of it."""
    if not os.environ.get(_ON_EVERY_DATABASE):
        items[:] = [item for item in items if _is_of_the_share(item)]


def pytest_collection_finish() -> None:
    """Leave what was imported and collected out of every later search for garbage.

    It is hundreds of thousands of objects, and all of it stays to the end.
    """
    gc.collect()
    gc.freeze()


def _is_of_the_share(item: pytest.Item) -> bool:
    if item.name.startswith(_BY_TAB):
        return zlib.crc32(item.nodeid.encode()) % _BY_TAB_ONE_IN == 0
    room = item.path.relative_to(Path(__file__).parent).parts[0]
    if room not in _SHARED_ROOMS or "postgresql" not in item.name or _ALWAYS.search(item.name):
        return True
    return zlib.crc32(item.nodeid.encode()) % _ONE_IN == 0


@pytest.fixture(autouse=True, scope="session")
def _statements_are_compiled_once() -> Iterator[None]:
    with compiled_once():
        yield


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
