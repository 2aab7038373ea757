"""The question about rates: read from an address, and the fields that make one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, Role, reach
from registry.domain.directions import BODY_WALLS, PEDICLE_WALLS, Direction
from registry.domain.problems import BadInputError, Fault
from registry.web.fields import Choice, Field
from reports.frame import Intended, Threshold
from reports.tables.asking import NAMES, question_from
from reports.tables.rate_words import stratum_heading
from reports.tables.splits import PERSONS, IntervalName, Split

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from werkzeug.datastructures import MultiDict

    from registry.actions.count import PeriodsOffered
    from registry.domain.access import Viewer
    from reports.tables.rates import Question

PERIOD, _OPEN = "period", ".."
"""A period in one filter, first/last; an open end as ISO 8601-2:2019 writes it."""

COUNTED = ("from", "to", "threshold", "direction", "intended", "minimum")
"""The filters of every page that counts breaches."""

_ALL_SCREWS = Choice("", "all screws together")
_NOTHING_MORE = Choice("", "nothing more")
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
_INTENDED = (
    Choice(Intended.INCLUDE, "count"),
    Choice(Intended.EXCLUDE, "are left out"),
)
_INTERVALS = (
    Choice(IntervalName.CLUSTERED, "patients as clusters"),
    Choice(IntervalName.WILSON, "Wilson, screws as independent"),
    Choice(IntervalName.CLOPPER_PEARSON, "Clopper-Pearson, screws as independent"),
    Choice(IntervalName.JEFFREYS, "Jeffreys, screws as independent"),
    Choice(IntervalName.MID_P, "mid-P, screws as independent"),
)


def read_question(
    args: MultiDict[str, str], minimum: int, known: Sequence[str] = (*NAMES, PERIOD)
) -> Question:
    """Return the question in an address; BadInputError names every filter that is wrong.

    `minimum` is the unit's own, for an address that has none; `known` the page's filters, its own
    among them, which are left to the page.
    """
    faults = [
        Fault(f"there is no filter {name[:40]!r}", "address", f"use {', '.join(known)}")
        for name in args
        if name not in known
    ]
    said = {name: args.get(name, "") for name in NAMES} | {"by": ",".join(args.getlist("by"))}
    if args.get(PERIOD, "").strip():
        start, slash, end = args[PERIOD].strip().partition("/")
        if not slash or args.get("from") or args.get("to"):
            mend = "give FIRST/LAST as 2026-01-01/2026-03-31, and then neither from nor to"
            faults.append(Fault(f"{args[PERIOD][:40]!r} cannot be used", PERIOD, mend))
        else:
            said |= {"from": start.removeprefix(_OPEN), "to": end.removeprefix(_OPEN)}
    try:
        question = question_from(said, minimum=minimum)
    except BadInputError as problem:
        raise BadInputError(*faults, *problem.faults) from None
    if faults:
        raise BadInputError(*faults)
    return question


def address_values(question: Question) -> dict[str, str | list[str]]:
    """Return a question as the values of its address."""
    values: dict[str, str | list[str]] = {
        "by": [split.value for split in question.by],
        "threshold": question.threshold.value,
        "intended": question.intended.value,
        "interval": question.interval.value,
        "minimum": str(question.minimum),
    }
    if question.start:
        values["from"] = question.start.isoformat()
    if question.end:
        values["to"] = question.end.isoformat()
    if question.direction:
        values["direction"] = question.direction.value
    return values


def question_fields(
    args: MultiDict[str, str],
    viewer: Viewer,
    minimum: int,
    offered: PeriodsOffered | None,
    faults: Iterable[Fault] = (),
) -> list[Field]:
    """Return the fields that make a question, as they were sent and with what is wrong.

    Where periods are `offered`, one of them is chosen in place of two days.
    """
    wrong: dict[str, str] = {}
    for fault in faults:
        told = f"{fault.what}; {fault.mend}" if fault.mend else fault.what
        wrong[fault.where] = f"{wrong[fault.where]}. {told}" if fault.where in wrong else told
    splits = [Choice(split, stratum_heading(split)) for split in _splits(viewer)]
    by = [part.strip() for part in ",".join(args.getlist("by")).split(",") if part.strip()]
    first, second = (*by, "", "")[:2]

    def choice(name: str, label: str, choices: Iterable[Choice], default: str) -> Field:
        value = args.get(name, "").strip() or default
        error = wrong.get(name, "")
        return Field(name, label, value, "select", tuple(choices), error=error)

    return [
        Field(
            "by",
            "By",
            first,
            "select",
            (_ALL_SCREWS, *splits),
            error=wrong.get("by", ""),
            mark="-1",
        ),
        Field("by", "and by", second, "select", (_NOTHING_MORE, *splits), mark="-2"),
        *_period_fields(args, viewer, wrong, offered),
        choice("threshold", "A breach is", _THRESHOLDS, Threshold.TWO_MM),
        choice("direction", "through", _DIRECTIONS, ""),
        choice("intended", "Intended exits", _INTENDED, Intended.INCLUDE),
        choice("interval", "Interval", _INTERVALS, IntervalName.CLUSTERED),
        Field(
            "minimum",
            "Graded, at least",
            args.get("minimum", "").strip() or str(minimum),
            "number",
            error=wrong.get("minimum", ""),
        ),
    ]


def _period_fields(
    args: MultiDict[str, str],
    viewer: Viewer,
    wrong: dict[str, str],
    offered: PeriodsOffered | None,
) -> list[Field]:
    """Return two days, or the one choice."""
    if offered is None:
        return [
            _day_field("from", "Operated from", args, wrong),
            _day_field("to", "until, included", args, wrong),
        ]
    start, end = (args.get(name, "").strip() for name in ("from", "to"))
    value = args.get(PERIOD, "").strip() or ((start or end) and _interval(start, end))
    choices = [Choice("", "all that is settled")]
    choices += [
        Choice(_interval(period.start, period.end), period.words) for period in offered.periods
    ]
    if viewer.person_id is not None:
        choices.append(Choice(_interval("", offered.today), "all to today, own screws only"))
    if value not in {choice.value for choice in choices}:
        choices.append(Choice(value, value.replace("/", " to ").replace(_OPEN, "start")))
    told = [wrong[name] for name in (PERIOD, "from", "to") if name in wrong]
    return [
        Field(PERIOD, "Operated in", value, "select", tuple(choices), error=". ".join(told)),
    ]


def _interval(start: date | str | None, end: date | str) -> str:
    return f"{start or _OPEN}/{end or _OPEN}"


def _day_field(name: str, label: str, args: MultiDict[str, str], wrong: dict[str, str]) -> Field:
    return Field(name, label, args.get(name, "").strip(), "date", error=wrong.get(name, ""))


def _splits(viewer: Viewer) -> list[Split]:
    """Return the splits to offer; the count itself decides what is shown."""
    far = reach(viewer, Deed.SEE_SURGEONS)
    hidden: set[Split] = set()
    if far is Reach.NONE or (far is Reach.OWN and viewer.person_id is None):
        hidden = set(PERSONS)
    elif far is Reach.OWN and Role.SURGEON not in viewer.roles:
        hidden = {Split.SURGEON}
    return [split for split in Split if split not in hidden]
