"""What `load-log` and `load-readings` have in common."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.output import say
from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Mapping

    from registry.actions.loading import LoadOutcome, TableFile

_WARNINGS_SHOWN = 50
LARGEST_BYTES = 200 * 1024 * 1024


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the file and how to read it."""
    command.add_argument("file", metavar="FILE", help="a CSV or XLSX file")
    command.add_argument(
        "--check", action="store_true", help="say what it would do, change nothing"
    )
    command.add_argument(
        "--new-persons", action="store_true", help="add everyone whose name is not known"
    )
    command.add_argument("--encoding", help="of a file that is not UTF-8, such as cp1252")
    command.add_argument("--as", dest="acting_as", metavar="NAME", help="the account that loads")


def read(path: Path, encoding: str | None) -> TableFile:
    """Return the file's bytes."""
    from registry.actions.loading import TableFile

    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise BadInputError(Fault("larger than 200 MB", path.name, "split it by year"))
        return TableFile(path.read_bytes(), path.name, encoding)
    except OSError as error:
        raise BadInputError(
            Fault(f"cannot be read: {error.strerror}", str(path), "give the file's path")
        ) from error


def run(
    load: Callable[..., LoadOutcome], given: argparse.Namespace, environment: Mapping[str, str]
) -> int:
    """Load the file by `load` and say what was new."""
    from registry.cli.opening import instant, opened, today

    table = read(Path(given.file), given.encoding)
    with opened(given, environment) as (ledger, viewer):
        outcome = load(
            ledger,
            viewer,
            table,
            new_persons=given.new_persons,
            only_check=given.check,
            today=today(ledger),
            now=instant(),
        )
    say_outcome(outcome, only_check=given.check)
    return 0


def say_outcome(outcome: LoadOutcome, *, only_check: bool) -> None:
    """Print what was, or would be, new."""
    will = "would be new" if only_check else "new"
    counts = [f"{_counted(count, record)} {will}" for record, count in outcome.new.items()]
    counts += [
        f"{_counted(count, record)} known already" for record, count in outcome.unchanged.items()
    ]
    say(f"{_counted(outcome.rows, 'rows')}: " + (", ".join(counts) or "nothing to do"))
    if outcome.new_persons:
        say(f"people {will}: " + ", ".join(sorted(outcome.new_persons)))
    for warning in outcome.warnings[:_WARNINGS_SHOWN]:
        say(f"note: {warning}")
    left = len(outcome.warnings) - _WARNINGS_SHOWN
    if left > 0:
        say(f"note: and {left} more of the kind")
    if only_check:
        say("nothing was changed")


def _counted(count: int, plural: str) -> str:
    return f"{count} {plural.removesuffix('s') if count == 1 else plural}"
