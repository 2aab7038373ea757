"""The question about case mix: read from an address, and the fields that make one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from werkzeug.datastructures import MultiDict

from registry.web.fields import Choice, Field
from registry.web.pages.rates.forms import (
    COUNTED,
    address_values,
    question_fields,
    read_question,
)
from reports.tables.rate_words import stratum_heading
from reports.tables.splits import PERSONS, Split

if TYPE_CHECKING:
    from collections.abc import Iterable

    from registry.domain.access import Viewer
    from registry.domain.problems import Fault
    from reports.tables.rates import Question

NAMED = "named"
_FIRST = Split.SURGEON
_FILTERS = ("by", NAMED, *COUNTED)


def read_case_mix(args: MultiDict[str, str], minimum: int) -> Question:
    """Return the question in an address; BadInputError names every filter that is wrong."""
    kept = MultiDict(args)
    if not kept.get("by", "").strip():
        kept["by"] = _FIRST.value
    return read_question(kept, minimum, _FILTERS)


def is_named(args: MultiDict[str, str]) -> bool:
    """Return whether persons are asked for by name."""
    return args.get(NAMED, "").strip() == "yes"


def case_mix_values(question: Question, *, named: bool) -> dict[str, str | list[str]]:
    """Return a question as the values of its address."""
    values = address_values(question)
    values.pop("interval")
    return values | ({NAMED: "yes"} if named else {})


def case_mix_fields(
    args: MultiDict[str, str], viewer: Viewer, minimum: int, faults: Iterable[Fault] = ()
) -> list[Field]:
    """Return the fields that make a question, as they were sent and with what is wrong."""
    listed = list(faults)
    errors = {fault.where: f"{fault.what}; {fault.mend}" for fault in listed}
    by = args.get("by", "").strip() or _FIRST.value
    splits = tuple(Choice(split, stratum_heading(split)) for split in Split)
    made = question_fields(args, viewer, minimum, None, listed)
    fields = [Field("by", "Groups by", by, "select", splits, error=errors.get("by", ""))]
    fields += [field for field in made if field.name not in {"by", "interval"}]
    if by in PERSONS:
        shown = (Choice("", "as codes"), Choice("yes", "by name"))
        fields.append(Field(NAMED, "Persons", "yes" if is_named(args) else "", "select", shown))
    return fields
