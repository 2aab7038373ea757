"""What a pack for the morbidity meeting may say, and in which order its pages come."""

from __future__ import annotations

import hashlib
import re
from decimal import Decimal
from enum import StrEnum
from typing import TYPE_CHECKING

from registry.domain.levels import level
from registry.domain.problems import Fault
from registry.domain.scales import greatest_extent

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from registry.domain.directions import Direction

MOST_SCREWS = 60
"""More are no meeting; ours, no source."""
LONGEST_WORDS = 200
_MONTH = (
    "(?:jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?|aug(?:ust)?|"
    "sept?(?:ember)?|oct(?:ober)?|nov(?:ember)?|dec(?:ember)?)"
)
_DAY = re.compile(
    r"\b\d{1,4}\s?[-./]\s?\d{1,2}\s?[-./]\s?\d{1,4}\b|"
    rf"\b\d{{1,2}}(?:st|nd|rd|th)?\.?\s+(?:of\s+)?{_MONTH}\b|\b{_MONTH}\.?\s+\d",
    re.IGNORECASE,
)
_LONG_NUMBER = re.compile(r"\d{5,}")


class AtLeast(StrEnum):
    """From which extent in a wall of the pedicle on a screw is asked for."""

    EVERY = "every"
    ANY = "any"
    TWO_MM = "2"
    FOUR_MM = "4"

    @property
    def words(self) -> str:
        """Return it as it follows `screws`."""
        return _AT_LEAST_WORDS[self]


_AT_LEAST_WORDS = {
    AtLeast.EVERY: "whatever was found",
    AtLeast.ANY: "outside a wall of the pedicle by any extent",
    AtLeast.TWO_MM: "outside a wall of the pedicle by 2 mm or more",
    AtLeast.FOUR_MM: "outside a wall of the pedicle by 4 mm or more",
}


class ChosenBy(StrEnum):
    """How a pack's screws were chosen."""

    TICKED = "ticked"
    LISTED = "listed"
    NAMED = "named"


def chosen_words(by: ChosenBy, at_least: AtLeast, cases: int) -> str:
    """Return how the screws of so many cases were chosen, as a sentence of a cover.

    Examples
    --------
    >>> chosen_words(ChosenBy.NAMED, AtLeast.TWO_MM, 1)
    'Every placed screw of one named case outside a wall of the pedicle by 2 mm or more.'
    """
    every = at_least is AtLeast.EVERY
    if by is ChosenBy.NAMED:
        of = "one named case" if cases == 1 else f"{cases} named cases"
        return f"Every placed screw of {of}{', ' if every else ' '}{at_least.words}."
    screws = "placed screws" if every else f"screws {at_least.words}"
    if by is ChosenBy.LISTED:
        return f"Every one of a list of {screws}."
    return f"Chosen one by one out of {screws}."


def is_asked_for(extents: Mapping[Direction, Decimal | None] | None, at_least: AtLeast) -> bool:
    """Return whether a screw with these extents, None where it has not been read, is asked for.

    Examples
    --------
    >>> from registry.domain.directions import Direction
    >>> is_asked_for({Direction.MEDIAL: Decimal("1.9")}, AtLeast.TWO_MM)
    False
    """
    if at_least is AtLeast.EVERY:
        return True
    greatest = greatest_extent(extents or {})
    if greatest is None:
        return False
    return greatest > 0 if at_least is AtLeast.ANY else greatest >= Decimal(at_least.value)


def page_place(
    code: str,
    side: str,
    extents: Mapping[Direction, Decimal | None] | None,
    pseudonym: str,
    screw_id: int,
) -> tuple[int, str, Decimal, str]:
    """Return the place of a screw's page: level from cranial, left first, the farthest out first.

    What is alike comes by a digest, so that no order follows a person, a patient or a day.
    """
    greatest = greatest_extent(extents or {})
    alike = hashlib.sha256(f"{pseudonym}|{screw_id}".encode()).hexdigest()
    return level(code).order, side, -(Decimal(-1) if greatest is None else greatest), alike


def cover_faults(words: str, people: Iterable[str], references: Iterable[str]) -> list[Fault]:
    """Return what must not stand on a cover in the maker's own words: who, which case, which day.

    Parameters
    ----------
    words : as they were typed
    people : names of the ledger's people; the whole name is looked for however it is written, its
        first and last part as it is written, for a name may be a word besides
    references : of the chosen cases, however they are written

    Examples
    --------
    >>> [each.what for each in cover_faults("as Dr Berg asked", ["Anna Berg"], [])]
    ["'Berg' is a name of this ledger's people"]
    """
    found = []
    if len(words) > LONGEST_WORDS:
        found.append(f"{len(words)} characters, more than {LONGEST_WORDS}")
    if _DAY.search(words):
        found.append("holds a day")
    if _LONG_NUMBER.search(words):
        found.append("holds a number of five digits or more, as a hospital's number has")
    names = dict.fromkeys(part for name in people for part in _parts(name))
    found += [
        f"{name!r} is a name of this ledger's people"
        for name in names
        if _holds(words, name) or (" " in name and _holds(words.casefold(), name.casefold()))
    ]
    plain = words.casefold()
    found += [
        f"{one!r} is the reference of a chosen case"
        for one in references
        if one.casefold() in plain
    ]
    mend = "the cover names nobody, no case and no day; say it in other words"
    return [Fault(what, "words", mend) for what in found]


def _parts(name: str) -> Iterable[str]:
    """Return a person's whole name, its first part where that is no title, and its last."""
    parts = name.split()
    if parts:
        yield name
        yield parts[-1]
        first = parts[0]
        if first.casefold().rstrip(".") not in _TITLES and len(first.rstrip(".")) > 1:
            yield first


_TITLES = frozenset({"dr", "prof", "professor", "mr", "mrs", "ms", "miss"})


def _holds(words: str, name: str) -> bool:
    return re.search(rf"(?<!\w){re.escape(name)}(?!\w)", words) is not None
