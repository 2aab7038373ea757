"""`init`: create an empty ledger."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.output import say

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take nothing beyond `--home`."""
    del command


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Make the ledger and say where its keys are."""
    from registry.actions.initialise import initialise
    from registry.cli.opening import instant
    from registry.store.home import home_folder

    home = home_folder(given.home, environment)
    initialise(home, environment, instant()).close()
    say(f"made a ledger in {home}")
    say(f"its keys are in {home / 'keys'}: keep a copy apart, no backup holds them")
    return 0
