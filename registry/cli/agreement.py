"""`agreement`: how far readers agree on blind readings of the same scan."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.output import say, say_json, say_table
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

    from registry.actions.agreement import ReadersCompared


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the period, names or codes, and the shape."""
    command.add_argument("--from", dest="start", metavar="DAY", help="first day of operation")
    command.add_argument("--to", dest="end", metavar="DAY", help="last day of operation")
    command.add_argument("--named", action="store_true", help="readers by name, else by code")
    command.add_argument("--format", default="table", choices=["table", "json"])
    command.add_argument("--as", dest="acting_as", metavar="NAME", help="the account that asks")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Print tables, or one JSON document."""
    from registry.actions.agreement import AgreementAsked, compare_readers
    from registry.actions.known_truth import known_truth, missed_words
    from registry.cli.opening import opened
    from registry.domain.known_truth import Purpose
    from reports.tables.asking import question_from

    said = {"from": given.start or "", "to": given.end or ""}
    period = question_from(said, minimum=0)
    asked = AgreementAsked(period.start, period.end, given.named)
    with opened(given, environment) as (ledger, viewer):
        found = compare_readers(ledger, viewer, asked)
        truths = [known_truth(ledger, viewer, purpose).everybody for purpose in Purpose]
    if given.format == "json":
        say_json(found.whole.as_json())
    else:
        _say(found)
        for purpose, truth in zip(Purpose, truths, strict=True):
            if truth.read:
                say(f"{purpose.capitalize()}: {missed_words(truth)}")
        say(CAUTION)
    return 0


def _say(found: ReadersCompared) -> None:
    from reports.tables.reader_words import (
        DRIFT_HEADINGS,
        GROUP_HEADINGS,
        chance_rows,
        drift_rows,
        group_rows,
        limits_rows,
        millimetre_rows,
        shortfall_words,
        summary,
    )

    whole = found.whole
    say(summary(whole))
    say()
    say_table(
        ["first reading", *(f"second {grade}" for grade in whole.grades)],
        [[grade, *map(str, row)] for grade, row in zip(whole.grades, whole.table, strict=True)],
    )
    say()
    say_table(["corrected for chance", "with interval"], chance_rows(whole))
    say()
    say_table(["of the millimetres", "all pairs", "any breach"], millimetre_rows(whole))
    say()
    say_table(["difference", "with interval"], limits_rows(whole))
    for heading, groups in (("read twice because", found.reasons), ("readers", found.couples)):
        if groups:
            say()
            say_table([heading, *GROUP_HEADINGS], group_rows(groups))
    if found.drifts:
        say()
        say_table(DRIFT_HEADINGS, drift_rows(found.drifts))
    say()
    for why, count in found.left_out.items():
        say(f"Not compared, {why}: {count}.")
    if shortfall_words(whole.patients):
        say(shortfall_words(whole.patients))
    say("95% intervals, patients as clusters; blind readings of the audit scan only.")
