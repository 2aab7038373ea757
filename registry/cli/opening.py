"""What most commands begin with: the ledger, who acts, and the time."""

from __future__ import annotations

from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator, Mapping
    from datetime import date

    from registry.domain.access import Viewer
    from registry.store.home import Ledger


def add_as(command: argparse.ArgumentParser) -> None:
    """Add `--as NAME`."""
    command.add_argument(
        "--as", dest="acting_as", metavar="NAME", help="the account it is done as (default: local)"
    )


@contextmanager
def opened(
    given: argparse.Namespace, environment: Mapping[str, str]
) -> Iterator[tuple[Ledger, Viewer]]:
    """Give the ledger and the account that acts."""
    from registry.actions.accounts import acting
    from registry.store.home import home_folder, open_ledger

    ledger = open_ledger(home_folder(given.home, environment), environment)
    try:
        yield ledger, acting(ledger, given.acting_as)
    finally:
        ledger.close()


def instant() -> datetime:
    """Return the present instant."""
    return datetime.now(UTC)


def today(ledger: Ledger) -> date:
    """Return the unit's own day."""
    return datetime.now(ZoneInfo(ledger.settings.zone)).date()
