"""The days of operation that a page's address asks for, and the two fields that say them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.problems import BadInputError, Fault
from registry.web.fields import Field
from reports.tables.asking import question_from

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from werkzeug.datastructures import MultiDict

_DAYS = {"from": "Operated from", "to": "until, included"}


def read_days(
    args: MultiDict[str, str], others: Iterable[str] = ()
) -> tuple[date | None, date | None]:
    """Return first and last day; BadInputError names every filter that is wrong or unknown.

    `others` are the page's other filters.
    """
    refuse_unknown(args, (*_DAYS, *others))
    question = question_from({name: args.get(name, "") for name in _DAYS}, minimum=0)
    return question.start, question.end


def refuse_unknown(args: MultiDict[str, str], known: Iterable[str]) -> None:
    """Raise BadInputError where an address has a filter that the page does not know."""
    names = tuple(known)
    faults = [
        Fault(f"there is no filter {name[:40]!r}", "address", f"use {', '.join(names)}")
        for name in args
        if name not in names
    ]
    if faults:
        raise BadInputError(*faults)


def day_fields(args: MultiDict[str, str], faults: Iterable[Fault] = ()) -> list[Field]:
    """Return the two fields as they were sent, with what is wrong."""
    wrong = {fault.where: f"{fault.what}; {fault.mend}" for fault in faults}
    return [
        Field(name, label, args.get(name, "").strip(), "date", error=wrong.get(name, ""))
        for name, label in _DAYS.items()
    ]
