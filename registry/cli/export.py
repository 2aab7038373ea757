"""`export`: the tables with their dictionary, or counts for research."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.output import say
from registry.domain.caution import CAUTION
from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take where it goes and in what form."""
    command.add_argument("--out", required=True, metavar="DIR", help="a new folder")
    command.add_argument("--format", default="csv", choices=["csv", "xlsx", "parquet"])
    command.add_argument(
        "--research",
        action="store_true",
        help="counts alone: no identity, no person, no day, no small number",
    )
    command.add_argument(
        "--by", metavar="A[,B]", help="what the counts for research are split by, such as region"
    )
    command.add_argument("--as", dest="acting_as", metavar="NAME", help="the account that exports")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Write the folder and say what is in it."""
    from registry.actions.export_files import write_export
    from registry.actions.export_research import asked_factors, export_research
    from registry.actions.export_tables import export_tables
    from registry.cli.opening import instant, opened
    from registry.store.exporting.files import Format
    from registry.store.exporting.folder import check_free

    form, out, now = Format(given.format), Path(given.out), instant()
    if given.by is not None and not given.research:
        raise BadInputError(Fault("splits counts for research alone", "--by", "add --research"))
    factors = asked_factors(given.by or "")
    with opened(given, environment) as (ledger, viewer):
        check_free(out, ledger.home)
        export = (
            export_research(ledger, viewer, form, factors, now)
            if given.research
            else export_tables(ledger, viewer, form, now)
        )
        write_export(ledger, viewer, export, out, now)
    counts = ", ".join(f"{name} {count}" for name, count in export.rows.items())
    say(f"{out}: {counts} rows; the dictionary is datapackage.json")
    say(f"digest of the export: {export.digest}")
    say(CAUTION)
    return 0
