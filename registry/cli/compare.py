"""`compare`: groups of screws against each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.filters import add_filters, said
from registry.cli.output import is_said_as, say, say_table
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

    from reports.tables.compare import ComparisonTable


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take what is asked; every word is checked where the question is made."""
    command.add_argument("--by", default="", metavar="SPLIT", help="entry_technique, guidance ...")
    command.add_argument(
        "--groups",
        default="",
        metavar="A,B",
        help="values of the split, each compared with the last (default: all, with the largest)",
    )
    command.add_argument("--pairs", action="store_true", help="every group with every other")
    command.add_argument("--named", action="store_true", help="surgeons by name, not as codes")
    add_filters(command, minimum="graded screws below which nothing is compared")
    command.add_argument("--format", default="table", choices=["table", "csv", "json"])


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Print the comparison."""
    from registry.actions.compare_groups import compare_groups
    from registry.cli.opening import opened
    from reports.tables.compare_asking import comparison_from, groups_in

    with opened(given, environment) as (ledger, viewer):
        asked = comparison_from(
            said(given),
            groups_in(given.groups),
            is_all_pairs=given.pairs,
            minimum=ledger.settings.minimum_graded,
        )
        table = compare_groups(ledger, viewer, asked, is_named=given.named)
    if is_said_as(given.format, table):
        return 0
    _say(table)
    return 0


def _say(table: ComparisonTable) -> None:
    """Print groups, pairs and trends, a sentence each, and the notes."""
    from reports.tables.compare_words import (
        HEADINGS,
        TREND_HEADINGS,
        sentence,
        trend_sentence,
        words_of_pair,
        words_of_trend,
    )
    from reports.tables.rate_words import HEADINGS as RATE_HEADINGS
    from reports.tables.rate_words import stratum_heading, words_of

    group = stratum_heading(table.asked.split)
    rows = [[*row.stratum.values(), *words_of(row)] for row in table.rows]
    say_table([group, *RATE_HEADINGS], rows)
    say()
    if table.pairs:
        say_table([group, *HEADINGS], [words_of_pair(pair) for pair in table.pairs])
        say()
    for pair in table.pairs:
        say(sentence(pair))
    if not table.pairs:
        say("There are not two groups to compare.")
    say()
    if table.trends:
        trends = [[name or "together", *words_of_trend(it)] for name, it in table.trends.items()]
        say_table(["over quarters", *TREND_HEADINGS], trends)
        say(trend_sentence("", table.trends[""]))
        say()
    for note in [*table.notes(), CAUTION]:
        say(note)
