"""`meeting-pack`: chosen screws for the morbidity meeting, a page each, without identities."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.output import say
from registry.domain.caution import CAUTION
from registry.domain.meeting import AtLeast
from registry.domain.problems import BadInputError, Fault
from registry.domain.words import one_line

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

    from registry.actions.meeting_pack import PackOrder
    from registry.domain.access import Viewer
    from registry.store.home import Ledger


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the screws, what their pages may say, and where it goes."""
    from registry.cli.opening import add_as

    command.add_argument(
        "--case", action="append", default=[], metavar="REF", help="its placed screws; repeatable"
    )
    command.add_argument(
        "--screw",
        action="append",
        default=[],
        metavar="REF,LEVEL,SIDE",
        help="one screw, such as OP-12,L4,L; repeatable",
    )
    command.add_argument(
        "--at-least",
        default=AtLeast.EVERY.value,
        choices=[one.value for one in AtLeast],
        help="of the cases, those outside a wall of the pedicle by so many mm (default: every)",
    )
    command.add_argument("--out", required=True, metavar="DIR", help="a new folder")
    command.add_argument(
        "--words", default="", help="your own on the cover: nobody, no case and no day"
    )
    command.add_argument("--quarters", action="store_true", help="name each operation's quarter")
    command.add_argument("--pseudonyms", action="store_true", help="name each patient's pseudonym")
    add_as(command)


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Write the folder, and say at the shell alone which page is which case's screw."""
    from registry.actions.meeting_files import write_pack
    from registry.actions.meeting_pack import meeting_pack
    from registry.actions.meeting_pages import screw_name
    from registry.cli.opening import instant, opened
    from registry.store.exporting.folder import check_free

    now, out = instant(), Path(given.out)
    if not given.case and not given.screw:
        raise BadInputError(Fault("not said", "which screws", "add --case REF or --screw"))
    with opened(given, environment) as (ledger, viewer):
        check_free(out, ledger.home)
        made = meeting_pack(ledger, viewer, _order(ledger, viewer, given), now)
        files = write_pack(ledger, viewer, made, out, now)
    without = sum(page.section is None for page in made.pack.pages)
    pictures = f"; {without} without a picture" if without else ""
    screws = "1 screw" if len(made.screws) == 1 else f"{len(made.screws)} screws"
    say(f"{out}: {', '.join(files)}; {screws}{pictures}")
    say("which is whose, for you alone; the pack does not say it:")
    for number, screw in enumerate(made.screws, 1):
        say(f"screw {number}: {screw_name(screw)} of case {screw.case_reference}")
    say(CAUTION)
    return 0


def _order(ledger: Ledger, viewer: Viewer, given: argparse.Namespace) -> PackOrder:
    from registry.actions.meeting_named import screw_named, screws_of_cases
    from registry.actions.meeting_pack import PackOrder
    from registry.domain.meeting import ChosenBy

    at_least = AtLeast(given.at_least)
    chosen = [number for one in given.screw for number in screw_named(ledger, viewer, one)]
    if given.case:
        chosen += screws_of_cases(ledger, viewer, given.case, at_least)
    return PackOrder(
        chosen,
        at_least if given.case and not given.screw else AtLeast.EVERY,
        ChosenBy.TICKED if given.screw else ChosenBy.NAMED,
        one_line(given.words),
        has_quarters=given.quarters,
        has_pseudonyms=given.pseudonyms,
    )
