"""`export-sr`: what was read of a case as a DICOM structured report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.output import CAUTION, say

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the case, which reading, under whose name, and where it goes."""
    command.add_argument("--case", required=True, metavar="REF", help="its audit scan is reported")
    command.add_argument("--out", required=True, metavar="FILE", help="a new file")
    command.add_argument(
        "--reading",
        default="consensus",
        choices=["consensus", "first", "second", "adjudication"],
        help="what is reported of each screw (default: consensus)",
    )
    command.add_argument(
        "--pseudonymous",
        action="store_true",
        help="under the pseudonym, marked as such; the vault stays closed",
    )
    command.add_argument(
        "--verified",
        action="store_true",
        help="the person behind the account answers for it: a settled consensus alone",
    )
    command.add_argument("--as", dest="acting_as", metavar="NAME", help="the account that exports")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Write the report and say what is in it."""
    from registry.actions.export_sr import ReportOrder, export_report, write_report
    from registry.actions.report_screws import Chosen
    from registry.cli.opening import instant, opened
    from registry.store.exporting.folder import check_new_file

    out, now = Path(given.out), instant()
    order = ReportOrder(given.case, Chosen(given.reading), given.pseudonymous, given.verified)
    with opened(given, environment) as (ledger, viewer):
        check_new_file(out, ledger.home)
        report = export_report(ledger, viewer, order, now)
        write_report(ledger, viewer, report, out, now)
    state = "VERIFIED" if given.verified else "UNVERIFIED"
    whose = "the pseudonym" if given.pseudonymous else "the hospital's own identifiers"
    screws = "1 screw" if report.screws == 1 else f"{report.screws} screws"
    say(f"{out}: {given.reading} of {screws} under {whose}; COMPLETE, {state}")
    if report.not_read:
        say(f"note: {report.not_read} counted screws have no {given.reading} on this scan")
    say(CAUTION)
    return 0
