"""`case-mix`: observed breaches against those expected by patient and pedicle alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.filters import add_filters, said
from registry.cli.output import is_said_as, say, say_table
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

    from reports.tables.case_mix import CaseMixTable


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take what is asked; every word is checked where the question is made."""
    command.add_argument(
        "--by", default="surgeon", metavar="SPLIT", help="surgeon, level, entry_technique ..."
    )
    command.add_argument("--named", action="store_true", help="surgeons by name, not as codes")
    add_filters(command, minimum="graded screws below which there is no quotient")
    command.add_argument("--format", default="table", choices=["table", "csv", "json"])


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Print the table."""
    from registry.actions.case_mix import adjusted_for_case_mix
    from registry.cli.opening import opened
    from reports.tables.asking import question_from

    with opened(given, environment) as (ledger, viewer):
        question = question_from(said(given), minimum=ledger.settings.minimum_graded)
        table = adjusted_for_case_mix(ledger, viewer, question, is_named=given.named)
    if is_said_as(given.format, table):
        return 0
    _say(table)
    return 0


def _say(table: CaseMixTable) -> None:
    """Print groups, the model, how far it can be trusted, and the notes."""
    from reports.statistics.case_mix import CaseMix
    from reports.tables.case_mix_words import (
        FIFTH_HEADINGS,
        HEADINGS,
        TERM_HEADINGS,
        trust,
        words_of,
        words_of_fifth,
        words_of_term,
    )
    from reports.tables.rate_words import stratum_heading

    rows = [[row.group, *words_of(row)] for row in table.rows]
    say_table([stratum_heading(table.split), *HEADINGS], rows)
    say()
    model = table.model
    if isinstance(model, CaseMix):
        terms = [words_of_term(term, model) for term in model.terms]
        say_table(["factor", *TERM_HEADINGS], terms)
        say()
        fifths = enumerate(model.calibration.fifths, start=1)
        say_table(["fifth", *FIFTH_HEADINGS], [[str(at), *words_of_fifth(it)] for at, it in fifths])
        say()
        for line in trust(model):
            say(line)
        say()
    for note in [*table.notes(), CAUTION]:
        say(note)
