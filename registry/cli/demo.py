"""`demo`: make the invented demo ledger and serve it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the port and whether to serve."""
    command.add_argument("--port", type=int, default=8000, help="default 8000")
    command.add_argument("--no-serve", action="store_true", help="only make the ledger")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Make it and serve it."""
    return 0
