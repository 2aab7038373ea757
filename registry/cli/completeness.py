"""`completeness`: what is missing, step by step, and how much it could change the rate."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.output import say, say_json, say_table
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take what is asked; every word is checked where the question is made."""
    command.add_argument("--from", dest="start", metavar="DAY", help="first day of operation")
    command.add_argument("--to", dest="end", metavar="DAY", help="last day of operation")
    command.add_argument("--threshold", default="2", help="any, 2 or 4 (default 2) mm")
    command.add_argument("--direction", help="medial, lateral, cranial, caudal, anterior ...")
    command.add_argument(
        "--assumed", default="", metavar="PERCENT",
        help="breached share to assume of screws that nobody has looked at",
    )  # fmt: skip
    command.add_argument("--format", default="table", choices=["table", "json"])
    command.add_argument("--as", dest="acting_as", metavar="NAME", help="the account that asks")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Print tables, or one JSON document."""
    from registry.actions.completeness import assumed_from, measure_completeness
    from registry.cli.opening import opened
    from reports.tables.asking import question_from
    from reports.tables.completeness_words import (
        PUBLISHED,
        assumed_rows,
        bound_rows,
        gap_rows,
        step_rows,
        summary,
    )

    said = {
        "from": given.start or "",
        "to": given.end or "",
        "threshold": given.threshold,
        "direction": given.direction or "",
    }
    question, assumed = question_from(said, minimum=0), assumed_from(given.assumed)
    with opened(given, environment) as (ledger, viewer):
        found = measure_completeness(ledger, viewer, question, assumed)
    if given.format == "json":
        say_json(found.as_json())
        return 0
    say(f"{question.event.words().capitalize()}. {summary(found)}")
    say()
    say_table(["step", "screws", "of the placed"], [[a, str(b), c] for a, b, c in step_rows(found)])
    gaps = gap_rows(found)
    if gaps:
        say()
        say_table(
            ["why not graded", "screws", "cases"],
            [[a, str(b), "-" if c is None else str(c)] for a, b, c in gaps],
        )
    say()
    say_table(["breached", "share"], bound_rows(found))
    say()
    say("Under assumptions that nobody can check, with 95% intervals, patients as clusters:")
    for assumption, rate, screws in assumed_rows(found):
        say(f"- {assumption}: {rate}, over {screws} screws.")
    say(PUBLISHED)
    say(CAUTION)
    return 0
