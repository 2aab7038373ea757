"""`verify`: check trail, rows, consensus and images."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.output import say, say_error

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the account alone."""
    command.add_argument("--as", dest="acting_as", metavar="NAME", help="the account that checks")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Name everything that is wrong; status 1 where anything is."""
    from registry.actions.check_ledger import check_ledger
    from registry.cli.opening import opened

    with opened(given, environment) as (ledger, viewer):
        wrong = check_ledger(ledger, viewer)
    for item in wrong:
        say_error(item.line())
    if wrong:
        say_error(f"{len(wrong)} things are not as the trail says")
        return 1
    say("the ledger is as its trail says")
    return 0
