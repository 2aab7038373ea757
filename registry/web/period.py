"""What a page of numbers is asked in its address: days of operation and the event, as fields."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.directions import BODY_WALLS, PEDICLE_WALLS, Direction
from registry.domain.problems import BadInputError, Fault
from registry.web.fields import Choice, Field
from reports.frame import Threshold
from reports.tables.asking import question_from

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from werkzeug.datastructures import MultiDict

    from reports.tables.rates import Question

DAYS = ("from", "to")
EVENT = ("threshold", "direction")

_DAY_LABELS = {"from": "Operated from", "to": "until, included"}
_THRESHOLDS = (
    Choice(Threshold.ANY, "any extent"),
    Choice(Threshold.TWO_MM, "2 mm or more"),
    Choice(Threshold.FOUR_MM, "4 mm or more"),
)
_DIRECTIONS = (
    Choice("", "any pedicle wall"),
    *(Choice(wall, f"{wall}, pedicle") for wall in PEDICLE_WALLS),
    *(
        Choice(wall, {Direction.BODY_LATERAL: "lateral, body"}.get(wall, f"{wall}, body"))
        for wall in BODY_WALLS
    ),
)


def read_filters(
    args: MultiDict[str, str],
    names: Iterable[str],
    others: Iterable[str] = (),
    minimum: int = 0,
) -> Question:
    """Return what an address asks under some of the question's names.

    BadInputError names every filter that is wrong or unknown; `others` are the page's own filters.
    """
    asked = tuple(names)
    faults = unknown_filters(args, (*asked, *others))
    try:
        question = question_from({name: args.get(name, "") for name in asked}, minimum=minimum)
    except BadInputError as problem:
        raise BadInputError(*faults, *problem.faults) from None
    if faults:
        raise BadInputError(*faults)
    return question


def unknown_filters(args: MultiDict[str, str], known: Sequence[str]) -> list[Fault]:
    """Return a fault for each name of an address that is none of the page's filters."""
    return [
        Fault(f"there is no filter {name[:40]!r}", "address", f"use {', '.join(known)}")
        for name in args
        if name not in known
    ]


def day_fields(args: MultiDict[str, str], faults: Iterable[Fault] = ()) -> list[Field]:
    """Return the two fields of days as they were sent, with what is wrong."""
    wrong = told_by_field(faults)
    return [
        Field(name, label, args.get(name, "").strip(), "date", error=wrong.get(name, ""))
        for name, label in _DAY_LABELS.items()
    ]


def event_fields(args: MultiDict[str, str], faults: Iterable[Fault] = ()) -> list[Field]:
    """Return the two fields of what a breach is, as they were sent, with what is wrong."""
    wrong = told_by_field(faults)
    threshold = args.get("threshold", "").strip() or Threshold.TWO_MM
    direction = args.get("direction", "").strip()
    return [
        Field(
            "threshold", "A breach is", threshold, "select", _THRESHOLDS,
            error=wrong.get("threshold", ""),
        ),
        Field(
            "direction", "through", direction, "select", _DIRECTIONS,
            error=wrong.get("direction", ""),
        ),
    ]  # fmt: skip


def told_by_field(faults: Iterable[Fault]) -> dict[str, str]:
    """Return what is wrong, by the field that it is about."""
    wrong: dict[str, str] = {}
    for fault in faults:
        told = f"{fault.what}; {fault.mend}" if fault.mend else fault.what
        wrong[fault.where] = f"{wrong[fault.where]}. {told}" if fault.where in wrong else told
    return wrong
