"""`rates`: breach rates with their intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.filters import add_filters, said
from registry.cli.output import is_said_as, say, say_table
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take what is said(given); every word is checked where the question is made."""
    command.add_argument("--by", default="", metavar="A[,B]", help="level, surgeon, quarter ...")
    command.add_argument("--interval", default="clustered", help="clustered or a plain one")
    add_filters(command)
    command.add_argument(
        "--own", choices=["surgeon", "operator"], help="own screws alone, by any two splits"
    )
    command.add_argument("--format", default="table", choices=["table", "csv", "json"])


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Print the table."""
    from registry.actions.count import count_rates
    from registry.cli.opening import opened, today
    from reports.tables.asking import question_from
    from reports.tables.splits import Split

    with opened(given, environment) as (ledger, viewer):
        question = question_from(said(given), minimum=ledger.settings.minimum_graded)
        own = Split(given.own) if given.own else None
        table = count_rates(ledger, viewer, question, today(ledger), own)
    if is_said_as(given.format, table):
        return 0
    rows = table.text_rows()
    say_table(rows[0], rows[1:])
    say()
    for note in [*table.notes(), CAUTION]:
        say(note)
    return 0
