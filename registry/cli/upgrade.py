"""`upgrade`: bring a ledger's schema up to this program."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.backup import say_about
from registry.cli.output import say

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take nothing beyond `--home`."""
    del command


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Back the ledger up, then migrate it; nothing is done where it is new enough."""
    from registry.actions.upgrade import upgrade
    from registry.cli.opening import instant
    from registry.store.home import home_folder

    home = home_folder(given.home, environment)
    done = upgrade(home, environment, instant())
    if done.copy is not None:
        say(f"the ledger as it was is kept in {done.copy}")
    say(f"the ledger is at schema {done.revision}" + (" already" if done.copy is None else ""))
    if done.resettled:
        say(f"consensus worked out again by the present rule: {done.resettled}")
    say_about(home, is_new_key=done.is_new_key, unnoted=done.unnoted)
    return 0
