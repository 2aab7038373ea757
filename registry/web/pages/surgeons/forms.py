"""How surgeons and the funnel's lines are asked for, beside what is counted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, reach
from registry.domain.problems import BadInputError, Fault
from registry.domain.words import parse_word
from registry.web.fields import Choice, Field
from registry.web.question import named_field
from reports.tables.surgeon_table import Widening

if TYPE_CHECKING:
    from werkzeug.datastructures import MultiDict

    from registry.domain.access import Viewer

WIDEN = "widen"
_WIDENINGS = (
    Choice(Widening.NONE, "as they are"),
    Choice(Widening.MULTIPLICATIVE, "widened by a factor"),
    Choice(Widening.ADDITIVE, "widened by a variance"),
)


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
        named_field(args, "Surgeons"),
        Field(WIDEN, "Lines", widen, "select", _WIDENINGS),
    ]
