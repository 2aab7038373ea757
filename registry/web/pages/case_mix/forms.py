"""The question about case mix: read from an address, and the fields that make one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from werkzeug.datastructures import MultiDict

from registry.web.question import (
    COUNTED,
    NAMED,
    counted_fields,
    counted_values,
    groups_field,
    is_named,
    named_field,
    read_question,
)
from reports.tables.splits import PERSONS, Split

if TYPE_CHECKING:
    from collections.abc import Iterable

    from registry.domain.access import Viewer
    from registry.domain.problems import Fault
    from registry.web.fields import Field
    from reports.tables.rates import Question

USUAL = Split.SURGEON
_FILTERS = ("by", NAMED, *COUNTED)


def read_case_mix(args: MultiDict[str, str], minimum: int) -> Question:
    """Return the question in an address; BadInputError names every filter that is wrong."""
    asked = MultiDict(args)
    if not asked.get("by", "").strip():
        asked["by"] = USUAL.value
    return read_question(asked, minimum, _FILTERS)


def case_mix_values(question: Question, args: MultiDict[str, str]) -> dict[str, str | list[str]]:
    """Return a question as the values of its address, with names where `args` ask for them."""
    values = {"by": [split.value for split in question.by]} | counted_values(question)
    return values | ({NAMED: "yes"} if is_named(args) else {})


def case_mix_fields(
    args: MultiDict[str, str], viewer: Viewer, minimum: int, faults: Iterable[Fault] = ()
) -> list[Field]:
    """Return the fields that make a question, as they were sent and with what is wrong."""
    listed, by = list(faults), args.get("by", "").strip() or USUAL.value
    fields = [groups_field(by, listed), *counted_fields(args, viewer, minimum, None, listed)]
    return [*fields, named_field(args)] if by in PERSONS else fields
