"""`load-log`: load a theatre log."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli import tables

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the file and how to read it."""
    tables.add_arguments(command)


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Load it and say what was new."""
    from registry.actions.load_log import load_log
    from registry.cli.opening import instant, opened, today

    table = tables.read(Path(given.file), given.encoding)
    with opened(given, environment) as (ledger, viewer):
        outcome = load_log(
            ledger,
            viewer,
            table,
            new_persons=given.new_persons,
            only_check=given.check,
            today=today(ledger),
            now=instant(),
        )
    tables.say_outcome(outcome, only_check=given.check)
    return 0
