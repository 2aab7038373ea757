"""`withdraw`: a patient leaves the ledger; what is counted stays."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.opening import add_as
from registry.cli.output import say

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the patient, by a case or by the hospital's number, and the reason."""
    who = command.add_mutually_exclusive_group(required=True)
    who.add_argument("--case", metavar="REF", default="", help="any case of the patient")
    who.add_argument("--patient", metavar="NUMBER", default="", help="the hospital's number")
    command.add_argument("--reason", required=True, help="kept in the trail; name nobody")
    add_as(command)


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Withdraw them for good and say what that came to."""
    from registry.actions.withdraw import WHAT_STAYS, WhoWithdraws, withdraw
    from registry.cli.opening import instant, opened

    with opened(given, environment) as (ledger, viewer):
        who = WhoWithdraws(given.case, given.patient)
        done = withdraw(ledger, viewer, who, given.reason, instant())
    say(f"withdrawn for good; what is left is counted as {', '.join(done.references) or 'no case'}")
    say(
        f"{done.screws} screws stay counted, {done.images} images and {done.pictures} pictures "
        f"deleted, {done.closed} owed readings closed"
    )
    for line in WHAT_STAYS:
        say(line)
    return 0
