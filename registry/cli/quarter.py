"""`quarter`: a quarter's report as HTML, PDF, JSON, workbook and CSV."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.opening import add_as, instant, opened
from registry.cli.output import CAUTION, say

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take which quarter, and where its report goes."""
    command.add_argument("quarter", metavar="QUARTER", help="such as 2026Q3")
    command.add_argument("--out", required=True, metavar="DIR", help="a new folder")
    add_as(command)


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Write the report and say its six sentences."""
    from registry.actions.export_files import write_export
    from registry.actions.quarter_files import quarter_export
    from registry.store.exporting.folder import check_free

    out, now = Path(given.out), instant()
    with opened(given, environment) as (ledger, viewer):
        check_free(out, ledger.home)
        export = quarter_export(ledger, viewer, given.quarter, now)
        write_export(ledger, viewer, export, out, now)
    say(f"{out}: {', '.join(export.files)}")
    say(f"digest of the report: {export.digest}")
    say(CAUTION)
    return 0
