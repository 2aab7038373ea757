"""The question about rates: read from an address, and the fields that make one.

Pages that count breaches ask parts of it: a split or two, what is counted, and an interval.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, Role, reach
from registry.domain.problems import BadInputError, Fault
from registry.web.fields import Choice, Field
from registry.web.period import day_fields, event_fields, told_by_field, unknown_filters
from reports.frame import Intended
from reports.tables.asking import NAMES, question_from
from reports.tables.rate_words import stratum_heading
from reports.tables.splits import PERSONS, IntervalName, Split

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from werkzeug.datastructures import MultiDict

    from registry.actions.count import PeriodsOffered
    from registry.domain.access import Viewer
    from reports.tables.rates import Question

PERIOD, _OPEN = "period", ".."
"""A period in one filter, first/last; an open end as ISO 8601-2:2019 writes it."""

COUNTED = ("from", "to", "threshold", "direction", "intended", "minimum")
"""The filters of every page that counts breaches."""

NAMED = "named"
_NAMES = (Choice("", "as codes"), Choice("yes", "by name"))

_ALL_SCREWS = Choice("", "all screws together")
_NOTHING_MORE = Choice("", "nothing more")
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
_EVERY_SPLIT = tuple(Choice(split, stratum_heading(split)) for split in Split)


def read_question(
    args: MultiDict[str, str], minimum: int, known: Sequence[str] = (*NAMES, PERIOD)
) -> Question:
    """Return the question in an address; BadInputError names every filter that is wrong.

    `minimum` is the unit's own, for an address that has none; `known` the page's filters, its own
    among them, which are left to the page.
    """
    faults = unknown_filters(args, known)
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


def read_counted(args: MultiDict[str, str], minimum: int, own: Sequence[str]) -> Question:
    """Return what an address asks of `COUNTED` over a period; the page's `own` are left to it."""
    return read_question(args, minimum, (*own, PERIOD, *COUNTED))


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
    listed = list(faults)
    wrong = told_by_field(listed)
    splits = [Choice(split, stratum_heading(split)) for split in _splits(viewer)]
    by = [part.strip() for part in ",".join(args.getlist("by")).split(",") if part.strip()]
    first, second = (*by, "", "")[:2]
    one, more = (_ALL_SCREWS, *splits), (_NOTHING_MORE, *splits)
    *counted, least = counted_fields(args, viewer, minimum, offered, listed)
    return [
        Field("by", "By", first, "select", one, error=wrong.get("by", ""), mark="-1"),
        Field("by", "and by", second, "select", more, mark="-2"),
        *counted,
        _choice("interval", "Interval", args, _INTERVALS, wrong),
        least,
    ]


def counted_fields(
    args: MultiDict[str, str],
    viewer: Viewer,
    minimum: int,
    offered: PeriodsOffered | None,
    faults: Iterable[Fault] = (),
) -> list[Field]:
    """Return the fields of `COUNTED`: those of a question but for its splits and its interval."""
    listed = list(faults)
    wrong = told_by_field(listed)
    least = args.get("minimum", "").strip() or str(minimum)
    return [
        *_period_fields(args, viewer, offered, listed),
        *event_fields(args, listed),
        _choice("intended", "Intended exits", args, _INTENDED, wrong),
        Field("minimum", "Graded, at least", least, "number", error=wrong.get("minimum", "")),
    ]


def counted_values(question: Question) -> dict[str, str | list[str]]:
    """Return what of a question `counted_fields` ask, as the values of an address."""
    values = address_values(question)
    return {name: value for name, value in values.items() if name not in {"by", "interval"}}


def groups_field(by: str, faults: Iterable[Fault] = ()) -> Field:
    """Return the field of the one split that makes the groups."""
    wrong = told_by_field(faults).get("by", "")
    return Field("by", "Groups by", by, "select", _EVERY_SPLIT, error=wrong)


def is_named(args: MultiDict[str, str]) -> bool:
    """Return whether persons are asked for by name."""
    return args.get(NAMED, "").strip() == "yes"


def named_field(args: MultiDict[str, str], label: str = "Persons") -> Field:
    """Return the field that asks for persons by name."""
    return Field(NAMED, label, "yes" if is_named(args) else "", "select", _NAMES)


def _period_fields(
    args: MultiDict[str, str],
    viewer: Viewer,
    offered: PeriodsOffered | None,
    faults: Iterable[Fault],
) -> list[Field]:
    """Return two days, or the one choice."""
    if offered is None:
        return day_fields(args, faults)
    wrong = told_by_field(faults)
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


def _choice(
    name: str,
    label: str,
    args: MultiDict[str, str],
    choices: Sequence[Choice],
    wrong: Mapping[str, str],
) -> Field:
    """Return a choice whose first is the usual one."""
    value = args.get(name, "").strip() or choices[0].value
    return Field(name, label, value, "select", choices, error=wrong.get(name, ""))


def _splits(viewer: Viewer) -> list[Split]:
    """Return the splits to offer; the count itself decides what is shown."""
    far = reach(viewer, Deed.SEE_SURGEONS)
    hidden: set[Split] = set()
    if far is Reach.NONE or (far is Reach.OWN and viewer.person_id is None):
        hidden = set(PERSONS)
    elif far is Reach.OWN and Role.SURGEON not in viewer.roles:
        hidden = {Split.SURGEON}
    return [split for split in Split if split not in hidden]
