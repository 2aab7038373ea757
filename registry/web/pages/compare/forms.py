"""The question about groups: read from an address, and the fields that make one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from werkzeug.datastructures import MultiDict

from registry.domain.words import folded
from registry.web.fields import Choice, Field
from registry.web.pages.rates.forms import (
    COUNTED,
    address_values,
    question_fields,
    read_question,
)
from reports.tables.compare import ComparisonQuestion
from reports.tables.compare_words import name_of
from reports.tables.rate_words import stratum_heading
from reports.tables.splits import PERSONS, Split

if TYPE_CHECKING:
    from collections.abc import Iterable

    from registry.domain.access import Viewer
    from registry.domain.problems import Fault
    from reports.tables.compare import ComparisonTable

GROUP, OF, AGAINST, NAMED = "group", "of", "against", "named"
_FILTERS = ("by", GROUP, AGAINST, NAMED, *COUNTED)
_PAIRS = "every other"
_LARGEST = "the largest"


def read_comparison(args: MultiDict[str, str], minimum: int) -> ComparisonQuestion:
    """Return the question in an address; BadInputError names every filter that is wrong.

    Groups that were ticked under another split (`of`) are forgotten.
    """
    kept = MultiDict((key, value) for key, value in args.items(multi=True) if key != OF)
    if not kept.get("by", "").strip():
        kept["by"] = Split.ENTRY_TECHNIQUE.value
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


def is_named(args: MultiDict[str, str]) -> bool:
    """Return whether persons are asked for by name."""
    return args.get(NAMED, "").strip() == "yes"


def comparison_values(asked: ComparisonQuestion, *, named: bool) -> dict[str, str | list[str]]:
    """Return a question as the values of its address."""
    values = address_values(asked.counting)
    values.pop("interval")
    values |= {GROUP: list(asked.groups)} if asked.groups else {}
    if asked.is_all_pairs:
        values[AGAINST] = _PAIRS
    elif asked.reference:
        values[AGAINST] = asked.reference
    return values | ({NAMED: "yes"} if named else {})


def comparison_fields(
    args: MultiDict[str, str],
    viewer: Viewer,
    minimum: int,
    table: ComparisonTable | None,
    faults: Iterable[Fault] = (),
) -> list[Field]:
    """Return the fields that make a question; groups to choose are those of the `table`."""
    listed = list(faults)
    made = {
        (field.name, field.mark): field
        for field in question_fields(args, viewer, minimum, None, listed)
    }
    by = args.get("by", "").strip() or Split.ENTRY_TECHNIQUE.value
    splits = tuple(Choice(split, stratum_heading(split)) for split in Split)
    errors = {fault.where: f"{fault.what}; {fault.mend}" for fault in listed}
    fields = [Field("by", "Groups by", by, "select", splits, error=errors.get("by", ""))]
    fields += [field for (name, _), field in made.items() if name not in {"by", "interval"}]
    names = [] if table is None else _names(table)
    against = args.get(AGAINST, "").strip()
    if against not in names:
        against = against if against == _PAIRS else ""
    choices = (
        Choice("", _LARGEST),
        Choice(_PAIRS, _PAIRS),
        *(Choice(name, name) for name in names),
    )
    fields.append(Field(AGAINST, "Each against", against, "select", choices))
    if by in PERSONS:
        shown = (Choice("", "as codes"), Choice("yes", "by name"))
        fields.append(Field(NAMED, "Persons", "yes" if is_named(args) else "", "select", shown))
    return fields


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
