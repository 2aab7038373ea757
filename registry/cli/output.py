"""The only place of the shell's side that prints, and that turns problems into exit statuses."""

from __future__ import annotations

import json
import logging
import os
import sys
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Protocol

from registry.domain.problems import ProblemError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    class InShapes(Protocol):
        """A table that a program can take as well."""

        def as_json(self) -> object:
            """Return it as one JSON document."""

        def as_csv(self) -> str:
            """Return it as comma-separated text."""


def say(line: str = "") -> None:
    """Print one line for the person at the shell."""
    print(line, flush=True)  # noqa: T201 - this is the one place that prints


def say_error(line: str) -> None:
    """Print one line on standard error."""
    print(line, file=sys.stderr)  # noqa: T201 - this is the one place that prints


def say_json(document: object) -> None:
    """Print one JSON document and nothing else."""
    say(json.dumps(document, ensure_ascii=False, indent=2))


def say_text(text: str) -> None:
    """Print a text that carries its own line ends."""
    sys.stdout.write(text)


def is_said_as(shape: str, table: InShapes) -> bool:
    """Print a table as JSON or CSV where that is asked for; return whether it was."""
    if shape == "json":
        say_json(table.as_json())
    elif shape == "csv":
        say_text(table.as_csv())
    return shape in {"json", "csv"}


def say_table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print a table in columns, the first to the left and the others to the right."""
    lines = [list(header), *[list(row) for row in rows]]
    widths = [max(len(line[column]) for line in lines) for column in range(len(header))]
    for number, line in enumerate(lines):
        cells = [
            cell.ljust(width) if column == 0 else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        say("  ".join(cells).rstrip())
        if number == 0:
            say("  ".join("-" * width for width in widths))


def run(action: Callable[[], int]) -> int:
    """Return the exit status of an action: 2 for bad input, 1 for a failure, never a traceback."""
    try:
        status = action()
        sys.stdout.flush()
    except BrokenPipeError:
        # Whoever read has enough; nothing more is said, at the interpreter's end neither.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except ProblemError as problem:
        for line in problem.lines():
            say_error(line)
        return problem.exit_status
    except KeyboardInterrupt:
        say_error("stopped")
        return 1
    except OSError as error:
        where = f" ({error.filename})" if error.filename else ""
        say_error(f"the operating system refused: {error.strerror or error}{where}")
        return 1
    except Exception:  # the last resort: the whole of it goes to the log
        reference = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
        logging.getLogger("registry.cli").exception(
            "unexpected", extra={"fields": {"reference": reference}}
        )
        say_error(f"the program failed; the log has the details under {reference}")
        return 1
    return status
