"""The question about groups: read from an address, and the fields that make one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from werkzeug.datastructures import MultiDict

from registry.domain.words import folded
from registry.web.fields import Choice, Field
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
from reports.tables.compare import ComparisonQuestion
from reports.tables.compare_words import name_of
from reports.tables.splits import PERSONS, Split

if TYPE_CHECKING:
    from collections.abc import Iterable

    from registry.domain.access import Viewer
    from registry.domain.problems import Fault
    from reports.tables.compare import ComparisonTable

USUAL = Split.ENTRY_TECHNIQUE
GROUP, OF, AGAINST = "group", "of", "against"
_FILTERS = ("by", GROUP, AGAINST, NAMED, *COUNTED)
_PAIRS = "every other"
_LARGEST = "the largest"


def read_comparison(args: MultiDict[str, str], minimum: int) -> ComparisonQuestion:
    """Return the question in an address; BadInputError names every filter that is wrong.

    Groups that were ticked under another split (`of`) are forgotten.
    """
    kept = MultiDict((key, value) for key, value in args.items(multi=True) if key != OF)
    if not kept.get("by", "").strip():
        kept["by"] = USUAL.value
    counting = read_question(kept, minimum, _FILTERS)
    of = args.get(OF, "").strip()
    is_current = not of or (len(counting.by) == 1 and of == counting.by[0].value)
    groups = _ticked(args) if is_current else []
    against = args.get(AGAINST, "").strip() if is_current else ""
    if against == _PAIRS:
        return ComparisonQuestion(counting, tuple(groups), is_all_pairs=True)
    if against and groups and folded(against) not in map(folded, groups):
        groups.append(against)
    return ComparisonQuestion(counting, tuple(groups), against if groups else "")


def comparison_values(
    asked: ComparisonQuestion, args: MultiDict[str, str]
) -> dict[str, str | list[str]]:
    """Return a question as the values of its address, with names where `args` ask for them."""
    values = {"by": [asked.split.value]} | counted_values(asked.counting)
    values |= {GROUP: list(asked.groups)} if asked.groups else {}
    if asked.is_all_pairs:
        values[AGAINST] = _PAIRS
    elif asked.reference:
        values[AGAINST] = asked.reference
    return values | ({NAMED: "yes"} if is_named(args) else {})


def comparison_fields(
    args: MultiDict[str, str],
    viewer: Viewer,
    minimum: int,
    table: ComparisonTable | None,
    faults: Iterable[Fault] = (),
) -> list[Field]:
    """Return the fields that make a question; groups to choose are those of the `table`."""
    listed, by = list(faults), args.get("by", "").strip() or USUAL.value
    names = [] if table is None else _names(table)
    against = args.get(AGAINST, "").strip()
    choices = (
        Choice("", _LARGEST),
        Choice(_PAIRS, _PAIRS),
        *(Choice(name, name) for name in names),
    )
    known = against if against in {_PAIRS, *names} else ""
    fields = [
        groups_field(by, listed),
        *counted_fields(args, viewer, minimum, None, listed),
        Field(AGAINST, "Each against", known, "select", choices),
    ]
    return [*fields, named_field(args)] if by in PERSONS else fields


def group_choices(table: ComparisonTable) -> list[tuple[str, bool]]:
    """Return every group that there is, and whether it is compared."""
    compared = {name_of(row) for row in table.rows}
    return [(name, name in compared) for name in _names(table)]


def _names(table: ComparisonTable) -> list[str]:
    return [name_of(row) for row in table.rows] + list(table.others)


def _ticked(args: MultiDict[str, str]) -> list[str]:
    found: dict[str, str] = {}
    for name in args.getlist(GROUP):
        if name.strip():
            found.setdefault(folded(name), name.strip())
    return list(found.values())
