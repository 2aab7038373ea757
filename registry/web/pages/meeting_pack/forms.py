"""What a pack is asked for with: the list's filters, the ticks, and what its pages may say."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, TypeVar

from registry.actions.meeting_pack import PackOrder
from registry.domain.meeting import LONGEST_WORDS, AtLeast, ChosenBy
from registry.domain.problems import BadInputError, Fault
from registry.domain.words import one_line, parse_word
from registry.store.queries.meeting import ScrewsAsked
from registry.web.fields import Choice, Field
from registry.web.period import DAYS, day_fields, read_filters, told_by_field

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from werkzeug.datastructures import MultiDict

Word = TypeVar("Word", bound=StrEnum)

_LEAST = (
    Choice(AtLeast.TWO_MM, "2 mm or more"),
    Choice(AtLeast.FOUR_MM, "4 mm or more"),
    Choice(AtLeast.ANY, "any extent"),
    Choice(AtLeast.EVERY, "every placed screw"),
)
FILTERS = ("case", "least", *DAYS)
_CHOSEN = ("screw", "all")


@dataclass(frozen=True)
class Listed:
    """Which screws a list holds."""

    asked: ScrewsAsked
    at_least: AtLeast


def read_listed(args: MultiDict[str, str]) -> Listed:
    """Return what an address asks to be listed; BadInputError names every filter that is wrong.

    Without `least` it asks for every placed screw: only the empty form proposes an extent.
    """
    question = read_filters(args, DAYS, ("case", "least", *_CHOSEN))
    reference = args.get("case", "").strip()
    return Listed(
        ScrewsAsked(question.start, question.end, [reference] if reference else None),
        _word_of(AtLeast, _least_of(args), "least"),
    )


def list_fields(args: MultiDict[str, str], faults: Iterable[Fault] = ()) -> list[Field]:
    """Return the list's filters as they were sent, or as they are proposed where none was."""
    wrong = told_by_field(faults)
    return [
        Field(
            "least",
            "Outside a wall of the pedicle by",
            _least_of(args) if args else AtLeast.TWO_MM,
            "select",
            _LEAST,
            error=wrong.get("least", ""),
        ),
        *day_fields(args, faults),
        Field("case", "Of one case", args.get("case", "").strip(), longest=100),
    ]


def read_ticked(values: MultiDict[str, str]) -> list[int]:
    """Return the numbers of the ticked screws, each once; BadInputError where one is no number."""
    sent = dict.fromkeys(values.getlist("screw"))
    if any(not (text.isascii() and text.isdigit() and len(text) < 10) for text in sent):  # noqa: PLR2004 - no screw has such a number
        raise BadInputError(Fault("names no screw", "screw", "choose them on the list"))
    return [int(text) for text in sent]


def read_order(form: MultiDict[str, str]) -> PackOrder:
    """Return the pack that a form asks for; BadInputError says what is wrong with it."""
    return PackOrder(
        read_ticked(form),
        _word_of(AtLeast, form.get("least", AtLeast.EVERY), "least"),
        _word_of(ChosenBy, form.get("by", ChosenBy.TICKED), "by"),
        one_line(form.get("words", "")),
        has_quarters=form.get("quarters") == "yes",
        has_pseudonyms=form.get("pseudonyms") == "yes",
    )


def pack_fields(form: MultiDict[str, str]) -> Sequence[Field]:
    """Return the field of the maker's own words and that of the file."""
    return (
        Field(
            "words",
            "Your own words on the cover, if any",
            form.get("words", ""),
            hint="They name nobody, no case and no day.",
            longest=LONGEST_WORDS,
        ),
        Field(
            "form",
            "File",
            form.get("form", "pdf"),
            "select",
            (Choice("pdf", "PDF, to print"), Choice("html", "web page (HTML)")),
        ),
    )


def _least_of(args: MultiDict[str, str]) -> str:
    return args.get("least", "").strip() or AtLeast.EVERY


def _word_of(kind: type[Word], text: str, name: str) -> Word:
    try:
        return parse_word(kind, text)
    except ValueError as error:
        raise BadInputError(Fault(f"{text[:40]!r} cannot be used", name, str(error))) from None
