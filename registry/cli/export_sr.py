"""`export-sr`: what was read of a case as a DICOM structured report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.output import say
from registry.domain.caution import CAUTION
from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

    from registry.actions.fetch import Way


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the case, which reading, under whose name, and where it goes."""
    from registry.cli.opening import add_as

    command.add_argument("--case", required=True, metavar="REF", help="its audit scan is reported")
    command.add_argument("--out", metavar="FILE", help="a new file")
    command.add_argument(
        "--send", action="store_true", help="to the hospital's archive (settings `archive_`)"
    )
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
    command.add_argument("--url", default="", help="of DICOMweb (setting `archive_url`)")
    command.add_argument(
        "--peer", metavar="TITLE@HOST:PORT", help="a DICOM node (setting `archive_peer`)"
    )
    add_as(command)


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Write the report, or send it, and say what is in it."""
    from registry.actions.export_sr import ReportOrder, export_report, write_report
    from registry.actions.report_screws import Chosen
    from registry.actions.send_sr import archive_to_send_to, send_report
    from registry.cli.opening import instant, opened
    from registry.store.exporting.folder import check_new_file

    _require_somewhere(given)
    now = instant()
    order = ReportOrder(given.case, Chosen(given.reading), given.pseudonymous, given.verified)
    with opened(given, environment) as (ledger, viewer):
        if given.out is not None:
            check_new_file(Path(given.out), ledger.home)
        archive = archive_to_send_to(ledger, _way(given)) if given.send else None
        report = export_report(ledger, viewer, order, now)
        if given.out is not None:
            write_report(ledger, viewer, report, Path(given.out), now)
        if archive is not None:
            send_report(ledger, viewer, report, archive, now)
    state = "VERIFIED" if given.verified else "UNVERIFIED"
    whose = "the pseudonym" if given.pseudonymous else "the hospital's own identifiers"
    screws = "1 screw" if report.screws == 1 else f"{report.screws} screws"
    where = " and ".join([*filter(None, [given.out]), *(["the archive"] if given.send else [])])
    say(f"{where}: {given.reading} of {screws} under {whose}; COMPLETE, {state}")
    if report.not_read:
        say(f"note: {report.not_read} counted screws have no {given.reading} on this scan")
    say(CAUTION)
    return 0


def _require_somewhere(given: argparse.Namespace) -> None:
    if given.out is None and not given.send:
        raise BadInputError(Fault("not said", "where the report goes", "add --out FILE or --send"))
    if given.send and given.pseudonymous:
        raise BadInputError(
            Fault(
                "the archive knows nobody by a pseudonym",
                "--send",
                "leave --pseudonymous out, or write a file with --out",
            )
        )


def _way(given: argparse.Namespace) -> Way:
    from registry.cli.fetch_ct import way_of

    return way_of(given.url, given.peer)
