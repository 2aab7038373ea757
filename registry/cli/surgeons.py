"""`surgeons`: surgeons beside one another, as codes unless names are asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.filters import add_filters, question_of
from registry.cli.output import is_said_as, say, say_table
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take what is counted, and how it is shown."""
    add_filters(command)
    command.add_argument("--named", action="store_true", help="names in place of codes")
    command.add_argument(
        "--widen",
        default="none",
        metavar="HOW",
        help="lines for surgeons who differ beyond chance: multiplicative or additive",
    )
    command.add_argument("--format", default="table", choices=["table", "csv", "json"])


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Print the points."""
    from registry.actions.count_surgeons import count_surgeons
    from registry.cli.opening import opened, today
    from registry.domain.problems import BadInputError, Fault
    from registry.domain.words import parse_word
    from reports.tables.surgeon_table import Widening
    from reports.tables.surgeon_words import CONVERSATION, SIGNALS, imaging_words

    try:
        widening = parse_word(Widening, given.widen)
    except ValueError as error:
        fault = Fault(f"{given.widen[:40]!r} cannot be used", "--widen", str(error))
        raise BadInputError(fault) from None
    with opened(given, environment) as (ledger, viewer):
        table = count_surgeons(
            ledger,
            viewer,
            question_of(given, ledger.settings.minimum_graded),
            today(ledger),
            is_named=given.named,
            widening=widening,
        )
    if is_said_as(given.format, table):
        return 0
    rows = table.text_rows()
    say_table(rows[0], rows[1:])
    say()
    for point in table.points:
        if point.imaging:
            say(f"{point.code}, cases by reason of imaging: {imaging_words(point)}")
    say()
    in_order = "; ".join(f"{name.lower()}: {words}" for name, words in SIGNALS)
    for note in [*table.notes(), CONVERSATION, f"In order: {in_order}.", CAUTION]:
        say(note)
    return 0
