"""`export-ct`: the image of a case's audit scan as plain CT slices under the pseudonym."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.output import say
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the case and where it goes."""
    command.add_argument("--case", required=True, metavar="REF", help="its audit scan is written")
    command.add_argument("--out", required=True, metavar="DIR", help="a new folder")
    command.add_argument(
        "--looked-through",
        action="store_true",
        help="somebody has looked at the slices: no text stands in them, and the files say so",
    )
    command.add_argument("--as", dest="acting_as", metavar="NAME", help="the account that exports")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Write the folder and say what is in it."""
    from registry.actions.export_ct import export_slices
    from registry.cli.opening import instant, opened

    out = Path(given.out)
    with opened(given, environment) as (ledger, viewer):
        count = export_slices(
            ledger,
            viewer,
            given.case,
            out,
            is_looked_through=given.looked_through,
            now=instant(),
        )
    say(f"{out}: {count} slices under the pseudonym, days moved by the patient's own offset")
    if not given.looked_through:
        say("note: nobody has said that no text stands in the slices; look before handing them on")
    say(CAUTION)
    return 0
