"""The command line: which commands there are, and what each takes."""

from __future__ import annotations

import argparse
import os
import sys
from importlib import import_module
from typing import TYPE_CHECKING, NoReturn

from registry.cli import output
from registry.cli.log import start_logging
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    from collections.abc import Sequence

COMMANDS = {
    "demo": "make the invented demo ledger and serve it",
    "init": "create an empty ledger",
    "upgrade": "bring a ledger's schema up to this program, after a backup of its own",
    "serve": "serve the pages",
    "account": "invite people, change an account, end its sessions",
    "load-log": "load a theatre log",
    "load-readings": "load readings made elsewhere",
    "load-ct": "load a post-operative CT from files, folders or zips",
    "listen": "receive what the hospital's archive sends",
    "fetch-ct": "fetch a CT study from the hospital's archive",
    "propose": "find the screws on a case's audit scan and measure them",
    "teaching": "draw scans of known truth, and see what readers find on them",
    "withdraw": "withdraw a patient: key and images destroyed, counts kept",
    "rates": "breach rates with their intervals",
    "completeness": "what is missing, step by step, and how much it could change the rate",
    "surgeons": "surgeons beside one another: funnel, expected, imaged; as codes",
    "runs": "a run of screws over time: sequential charts, quarters, groups",
    "own": "a surgeon's own results for appraisal, as text, HTML, PDF and JSON",
    "agreement": "how far readers agree on blind readings of the same scan",
    "compare": "groups of screws against each other, with what patients share allowed for",
    "case-mix": "observed breaches against those expected by patient and pedicle alone",
    "quarter": "a quarter's report: HTML, PDF, JSON, workbook, CSV",
    "meeting-pack": "chosen screws for the morbidity meeting, a page each, without identities",
    "export-sr": "write what was read of a case as a DICOM structured report",
    "export-ct": "write the image of a case as CT slices under the pseudonym",
    "export": "write the tables with their dictionary, or counts for research, into a folder",
    "backup": "write the ledger into one encrypted file, without its keys",
    "restore": "put a ledger back from a backup into an empty home",
    "move": "copy the ledger's database to another: SQLite to PostgreSQL, and back",
    "verify": "check trail, rows, consensus and images",
}
"""Every command and its line of help; the module has the same name, `-` written `_`."""


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one line."""

    def error(self, message: str) -> NoReturn:
        """Leave with status 2."""
        output.say_error(f"{self.prog}: {message}; see `{self.prog} --help`")
        sys.exit(2)


def parser() -> argparse.ArgumentParser:
    """Return the parser of every command, made without importing any science."""
    made = _Parser(
        prog="pedicle-ledger",
        description="A spinal unit's registry for grading pedicle screw placement.",
        epilog=CAUTION,
    )
    commands = made.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, text in COMMANDS.items():
        command = commands.add_parser(name, help=text, description=text, epilog=CAUTION)
        command.add_argument(
            "--home", help="the ledger's folder (default: PEDICLE_LEDGER_HOME, else ./ledger)"
        )
        module = import_module(f"registry.cli.{name.replace('-', '_')}")
        module.add_arguments(command)
        command.set_defaults(run=module.run)
    return made


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return its exit status."""
    given = parser().parse_args(arguments)
    start_logging()
    return output.run(lambda: int(given.run(given, os.environ)))
