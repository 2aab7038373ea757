"""The question about surgeons or a run, read from an address, and the fields that make one.

The filters are those of the rates; a split and another interval play no part.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, reach
from registry.domain.problems import BadInputError, Fault
from registry.domain.words import parse_word
from registry.web.fields import Choice, Field
from registry.web.pages.rates.forms import (
    COUNTED,
    PERIOD,
    address_values,
    question_fields,
    read_question,
)
from reports.tables.surgeon_table import Widening

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from werkzeug.datastructures import MultiDict

    from registry.actions.count import PeriodsOffered
    from registry.domain.access import Viewer
    from reports.tables.rates import Question

NAMED, WIDEN = "named", "widen"
_NO_PART = frozenset({"by", "interval"})
_WIDENINGS = (
    Choice(Widening.NONE, "as they are"),
    Choice(Widening.MULTIPLICATIVE, "widened by a factor"),
    Choice(Widening.ADDITIVE, "widened by a variance"),
)
_NAMES = (Choice("", "as codes"), Choice("yes", "by name"))


def read_filters(args: MultiDict[str, str], minimum: int, own: Sequence[str]) -> Question:
    """Return the question in an address; the filters that are the page's `own` are left to it."""
    return read_question(args, minimum, (*own, PERIOD, *COUNTED))


def filter_fields(
    args: MultiDict[str, str],
    viewer: Viewer,
    minimum: int,
    offered: PeriodsOffered | None,
    faults: Iterable[Fault] = (),
) -> list[Field]:
    """Return the rates' fields that play a part here."""
    made = question_fields(args, viewer, minimum, offered, faults)
    return [field for field in made if field.name not in _NO_PART]


def filter_values(question: Question) -> dict[str, str | list[str]]:
    """Return a question as the values of an address."""
    values = address_values(question)
    return {name: value for name, value in values.items() if name not in _NO_PART}


def read_widening(args: MultiDict[str, str]) -> Widening:
    """Return how the lines are asked for; BadInputError where the word is none."""
    text = args.get(WIDEN, "").strip() or Widening.NONE.value
    try:
        return parse_word(Widening, text)
    except ValueError as error:
        raise BadInputError(Fault(f"{text[:40]!r} cannot be used", WIDEN, str(error))) from None


def shown_fields(args: MultiDict[str, str], viewer: Viewer) -> list[Field]:
    """Return how surgeons and lines are shown, for who may choose."""
    if reach(viewer, Deed.COMPARE_SURGEONS) is not Reach.ALL:
        return []
    widen = args.get(WIDEN, "").strip() or Widening.NONE.value
    return [
        Field(NAMED, "Surgeons", "yes" if is_named(args) else "", "select", _NAMES),
        Field(WIDEN, "Lines", widen, "select", _WIDENINGS),
    ]


def is_named(args: MultiDict[str, str]) -> bool:
    """Return whether names are asked for."""
    return args.get(NAMED, "").strip() == "yes"
