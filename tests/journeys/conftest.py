"""A small unit that is served by the real program, and people who visit it in Chromium."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING

import pytest

from tests.build.drawn_study import drawn_study
from tests.build.made_once import made_once
from tests.journeys.browsing import Visit, sign_in_as, visit
from tests.journeys.program import serving
from tests.journeys.recording import recording
from tests.journeys.units import add_drawn_ct, add_scans_on_their_way, copied, make_unit

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

    from tests.journeys.program import Served

    Visitor = Callable[..., Visit]


@pytest.fixture(scope="session")
def made_unit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a ledger to be copied: cases and readings, no image."""
    made = made_once(tmp_path_factory, "unit", lambda folder: make_unit(folder / "home"))
    return made / "home"


@pytest.fixture(scope="session")
def made_unit_with_ct(tmp_path_factory: pytest.TempPathFactory, made_unit: Path) -> Path:
    """Give a ledger to be copied: the same, and a drawn CT whose screws are to be read."""

    def make(folder: Path) -> None:
        study = drawn_study(tmp_path_factory) / "study"
        add_drawn_ct(copied(made_unit, folder / "home"), study, folder / "ct")
        add_scans_on_their_way(folder / "home")

    return made_once(tmp_path_factory, "unit-with-ct", make) / "home"


@pytest.fixture(scope="session")
def drawn_files(made_unit_with_ct: Path) -> Path:
    """Give the folder with the files of a part of the drawn CT, as they came from the archive."""
    return made_unit_with_ct.parent / "ct"


@pytest.fixture(scope="session")
def unit(made_unit: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Give the unit, served; tests may add accounts to it and nothing else."""
    with serving(copied(made_unit, tmp_path_factory.mktemp("unit") / "home")) as served:
        yield served


@pytest.fixture(scope="session")
def unit_with_ct(
    made_unit_with_ct: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Served]:
    """Give the unit with its drawn CT, served; for tests that look and record nothing."""
    with serving(copied(made_unit_with_ct, tmp_path_factory.mktemp("ct") / "home")) as served:
        yield served


@pytest.fixture
def own_unit_with_ct(made_unit_with_ct: Path, tmp_path: Path) -> Iterator[Served]:
    """Give the unit with its drawn CT, served for this test alone, which may record readings."""
    with serving(copied(made_unit_with_ct, tmp_path / "home")) as served:
        yield served


@pytest.fixture
def visiting(browser: Browser) -> Iterator[Visitor]:
    """Give `visiting(served, recorded=False, **context)`: a new visit, watched to the test's end.

    Console errors, breaches of the content policy, failed requests and refusals that the test did
    not ask for fail it. A recorded visit keeps every answer of the server in its `answers`.
    """
    visits: list[Visit] = []

    def start(served: Served, *, recorded: bool = False, **options: object) -> Visit:
        recorder = proxies.enter_context(recording()) if recorded else None
        visits.append(visit(browser, served, recorder, **options))
        return visits[-1]

    with ExitStack() as proxies:
        yield start
        for each in visits:
            each.end()


@pytest.fixture
def signed_in(visiting: Visitor) -> Visitor:
    """Give `signed_in(served, role, by_form=False, recorded=False, **context)`: a signed-in visit.

    The account is made by the real command. What is recorded goes by the forms, answers and all.
    """

    def start(
        served: Served, role: str, *, by_form: bool = False, recorded: bool = False, **more: object
    ) -> Visit:
        begun = visiting(served, recorded=recorded, **more)
        sign_in_as(begun, role, by_form=by_form or recorded)
        return begun

    return start
