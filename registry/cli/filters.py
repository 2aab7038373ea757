"""What the commands of the unit's numbers are asked: which operations, what counts as a breach."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

    from reports.tables.rates import Question

_NO_RATE = "graded screws below which no rate is given"
_NAMES = {"by": "by", "from": "start", "to": "end", "interval": "interval", "minimum": "minimum"}
_BREACH = ("threshold", "direction", "intended")


def add_filters(command: argparse.ArgumentParser, *, minimum: str = _NO_RATE) -> None:
    """Take what is counted; every word is checked where the question is made."""
    command.add_argument("--from", dest="start", metavar="DAY", help="first day of operation")
    command.add_argument("--to", dest="end", metavar="DAY", help="last day of operation")
    command.add_argument("--threshold", default="2", help="any, 2 or 4 (default 2) mm")
    command.add_argument("--direction", help="medial, lateral, cranial, caudal, anterior ...")
    command.add_argument("--intended", default="include", help="include or exclude intended exits")
    command.add_argument("--minimum", help=minimum)
    command.add_argument("--as", dest="acting_as", metavar="NAME", help="the account that asks")


def said(given: argparse.Namespace) -> dict[str, str]:
    """Return what was said, under the names of `reports.tables.asking`."""
    names = _NAMES | {name: name for name in _BREACH}
    texts = {name: getattr(given, held, None) for name, held in names.items()}
    return {name: text for name, text in texts.items() if text is not None}


def question_of(given: argparse.Namespace, minimum: int) -> Question:
    """Return what is counted; `minimum` is the unit's, where none was said."""
    from reports.tables.asking import question_from

    return question_from(said(given), minimum=minimum)
