"""`rates`: breach rates with their intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.output import CAUTION, say, say_json, say_table, say_text

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take what is asked; every word is checked where the question is made."""
    command.add_argument("--by", default="", metavar="A[,B]", help="level, surgeon, quarter ...")
    command.add_argument("--from", dest="start", metavar="DAY", help="first day of operation")
    command.add_argument("--to", dest="end", metavar="DAY", help="last day of operation")
    command.add_argument("--threshold", default="2", help="any, 2 or 4 (default 2) mm")
    command.add_argument("--direction", help="medial, lateral, cranial, caudal, anterior ...")
    command.add_argument("--intended", default="include", help="include or exclude intended exits")
    command.add_argument("--interval", default="clustered", help="clustered or a plain one")
    command.add_argument("--minimum", help="graded screws below which no rate is given")
    command.add_argument("--format", default="table", choices=["table", "csv", "json"])
    command.add_argument("--as", dest="acting_as", metavar="NAME", help="the account that asks")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Print the table."""
    from registry.actions.count import count_rates
    from registry.cli.opening import opened, today
    from reports.tables.asking import question_from

    said = {
        "by": given.by,
        "from": given.start,
        "to": given.end,
        "threshold": given.threshold,
        "direction": given.direction,
        "intended": given.intended,
        "interval": given.interval,
        "minimum": given.minimum,
    }
    asked = {name: text for name, text in said.items() if text is not None}
    with opened(given, environment) as (ledger, viewer):
        question = question_from(asked, minimum=ledger.settings.minimum_graded)
        table = count_rates(ledger, viewer, question, today(ledger))
    if given.format == "json":
        say_json(table.as_json())
    elif given.format == "csv":
        say_text(table.as_csv())
    else:
        rows = table.text_rows()
        say_table(rows[0], rows[1:])
        say()
        for note in [*table.notes(), CAUTION]:
            say(note)
    return 0
