"""`surgeons`: surgeons beside one another, as codes unless names are asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.output import CAUTION, say, say_json, say_table, say_text

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

    from reports.tables.rates import Question


def add_filters(command: argparse.ArgumentParser) -> None:
    """Take what is counted; every word is checked where the question is made."""
    command.add_argument("--from", dest="start", metavar="DAY", help="first day of operation")
    command.add_argument("--to", dest="end", metavar="DAY", help="last day of operation")
    command.add_argument("--threshold", default="2", help="any, 2 or 4 (default 2) mm")
    command.add_argument("--direction", help="medial, lateral, cranial, caudal, anterior ...")
    command.add_argument("--intended", default="include", help="include or exclude intended exits")
    command.add_argument("--minimum", help="graded screws below which no rate is given")
    command.add_argument("--as", dest="acting_as", metavar="NAME", help="the account that asks")


def question_of(given: argparse.Namespace, minimum: int) -> Question:
    """Return what is counted; `minimum` is the unit's, where none was said."""
    from reports.tables.asking import question_from

    said = {
        "from": given.start,
        "to": given.end,
        "threshold": given.threshold,
        "direction": given.direction,
        "intended": given.intended,
        "minimum": given.minimum,
    }
    asked = {name: text for name, text in said.items() if text is not None}
    return question_from(asked, minimum=minimum)


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
    if given.format == "json":
        say_json(table.as_json())
    elif given.format == "csv":
        say_text(table.as_csv())
    else:
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
