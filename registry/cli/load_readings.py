"""`load-readings`: load readings made elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli import tables
from registry.cli.tables import add_arguments

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

__all__ = ["add_arguments", "run"]


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Load it and say what was new."""
    from registry.actions.load_readings import load_readings

    return tables.run(load_readings, given, environment)
