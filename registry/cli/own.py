"""`own`: a surgeon's own results, as text or as HTML, PDF and JSON."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.filters import add_filters, question_of
from registry.cli.output import say, say_json, say_table
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

    from reports.documents.blocks import Block


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take what is counted, and where files go."""
    add_filters(command)
    command.add_argument(
        "--out", metavar="DIR", help="a new folder for the results as HTML, PDF and JSON"
    )
    command.add_argument(
        "--with-notes", action="store_true", help="with own reflections and actions"
    )
    command.add_argument("--format", default="table", choices=["table", "json"])


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Print the results, or write their files."""
    from registry.actions.export_files import write_export
    from registry.actions.own_results import own_export, own_results
    from registry.cli.opening import instant, opened
    from registry.store.exporting.folder import check_free
    from reports.documents.own import numbers
    from reports.documents.own_document import own_document

    now = instant()
    with opened(given, environment) as (ledger, viewer):
        if given.out is not None:
            check_free(Path(given.out), ledger.home)
        question = question_of(given, ledger.settings.minimum_graded)
        report = own_results(ledger, viewer, question, now, with_notes=given.with_notes)
        if given.out is not None:
            export = own_export(ledger, viewer, report)
            write_export(ledger, viewer, export, Path(given.out), now)
            say(f"{given.out}: {', '.join(export.files)}")
            say(f"digest of the files: {export.digest}")
            say(CAUTION)
            return 0
    if given.format == "json":
        say_json(numbers(report))
        return 0
    for block in own_document(report, {}).blocks:
        _say(block)
    return 0


def _say(block: Block) -> None:
    """Print a block; charts and pictures are in the files."""
    from reports.documents.blocks import Heading, Paragraph, Points, Table

    if isinstance(block, Heading):
        say()
        say(f"{block.text}")
    elif isinstance(block, Paragraph):
        say(block.text)
    elif isinstance(block, Points):
        for point in block.points:
            say(f"- {point}")
    elif isinstance(block, Table):
        say(f"{block.caption}:")
        say_table(block.heading, block.rows)
