"""`runs`: a run of screws over time, the unit's or one surgeon's."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.filters import add_filters, question_of
from registry.cli.output import say, say_json, say_table
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take whose run, what is counted, and how it is shown."""
    command.add_argument("--surgeon", metavar="NAME", help="whose run (default: the whole unit's)")
    add_filters(command)
    command.add_argument("--format", default="table", choices=["table", "json"])


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Print the quarters, the groups and what the charts say; JSON has every operation."""
    from registry.actions.count_runs import count_run, run_named
    from registry.cli.opening import opened, today
    from reports.tables.run_words import (
        GROUP_HEADINGS,
        QUARTER_HEADINGS,
        average_words,
        group_lines,
        quarter_lines,
    )

    with opened(given, environment) as (ledger, viewer):
        table = count_run(
            ledger,
            viewer,
            question_of(given, ledger.settings.minimum_graded),
            run_named(ledger, viewer, given.surgeon),
            today(ledger),
        )
    if given.format == "json":
        say_json(table.as_json())
        return 0
    for headings, lines in (
        (QUARTER_HEADINGS, quarter_lines(table)),
        (GROUP_HEADINGS, group_lines(table)),
    ):
        if lines:
            say_table(headings, lines)
            say()
    for note in [*table.notes(), average_words() if table.quarters else "", CAUTION]:
        if note:
            say(note)
    return 0
