"""`quarter`: a quarter's report; comments, countersignature and seal; a sealed one checked."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.opening import add_as, instant, opened
from registry.cli.output import say
from registry.domain.caution import CAUTION
from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take which quarter, or which sealed file, and where files go."""
    command.add_argument(
        "what",
        metavar="QUARTER|verify|key",
        help="such as 2026Q3; or `verify` and a sealed file; or `key`, which prints the unit's "
        "public key",
    )
    command.add_argument("file", metavar="FILE", nargs="?", help="to `verify`; needs no ledger")
    command.add_argument(
        "--out",
        metavar="DIR",
        help="a new folder for the report; with `verify`, for the files inside, once they are "
        "found unchanged",
    )
    command.add_argument(
        "--key", metavar="PUBLIC", help="with `verify`: the unit's public key, a PEM file"
    )
    deed = command.add_mutually_exclusive_group()
    deed.add_argument("--seal", action="store_true", help="seal it, once nothing stands in the way")
    deed.add_argument("--comment", metavar="WORDS", help="keep a comment on it before its seal")
    deed.add_argument(
        "--countersign",
        action="store_true",
        help="sign its numbers as they stand, beside whoever seals them",
    )
    deed.add_argument(
        "--actions",
        action="store_true",
        help="list what was agreed on: last time and this time, owner, due day, what came of it",
    )
    deed.add_argument(
        "--again",
        action="store_true",
        help="work a sealed quarter out again from the records, and say what differs",
    )
    deed.add_argument(
        "--supplement",
        action="store_true",
        help="seal what has changed since its seal, old and new",
    )
    add_as(command)


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Do what the first word asks for."""
    if given.what == "verify":
        from registry.cli.quarter_verify import verify_file

        return verify_file(given, environment)
    for name, value in (("FILE", given.file), ("--key", given.key)):
        if value is not None:
            raise BadInputError(Fault("goes with `quarter verify` alone", name, "leave it out"))
    from registry.cli import quarter_seal

    if given.what == "key":
        return quarter_seal.say_key(given, environment)
    if given.comment is not None or given.countersign or given.again or given.actions:
        if given.out is not None:
            raise BadInputError(Fault("nothing is written by that", "--out", "leave it out"))
        return quarter_seal.without_files(given, environment)
    if given.out is None:
        raise BadInputError(Fault("is needed for a quarter's report", "--out", "name a new folder"))
    if given.seal or given.supplement:
        return quarter_seal.with_files(given, environment)
    return _write(given, environment)


def _write(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    from registry.actions.export_files import write_export
    from registry.actions.quarter_files import quarter_export
    from registry.store.exporting.folder import check_free

    out, now = Path(given.out), instant()
    with opened(given, environment) as (ledger, viewer):
        check_free(out, ledger.home)
        export = quarter_export(ledger, viewer, given.what, now)
        write_export(ledger, viewer, export, out, now)
    say(f"{out}: {', '.join(export.files)}")
    say(f"digest of the report: {export.digest}")
    say(CAUTION)
    return 0
