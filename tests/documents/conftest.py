"""One unit, one report and its files for the whole room: made once, looked at by many."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from registry.actions.accounts import acting
from registry.actions.initialise import initialise
from registry.actions.quarter_files import quarter_files
from registry.actions.quarter_numbers import quarter_numbers
from tests.build.loaded import NOW
from tests.build.quarters import MADE, PERIOD, fill_quarters

if TYPE_CHECKING:
    from collections.abc import Iterator

    from registry.store.home import Ledger
    from reports.documents.quarter import QuarterReport


@pytest.fixture(scope="session")
def unit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ledger]:
    ledger = initialise(tmp_path_factory.mktemp("quarters") / "ledger", {}, NOW)
    fill_quarters(ledger)
    yield ledger
    ledger.close()


@pytest.fixture(scope="session")
def report(unit: Ledger) -> QuarterReport:
    return quarter_numbers(unit, acting(unit, None), PERIOD, MADE)


@pytest.fixture(scope="session")
def files(report: QuarterReport) -> dict[str, bytes]:
    return quarter_files(report)
