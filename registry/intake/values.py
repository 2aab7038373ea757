"""One kind of cell each: text to value, or a ValueError whose message says how to mend it.

Cells come trimmed and not empty.
"""

from __future__ import annotations

import re
import unicodedata
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from registry.domain.directions import Side
from registry.domain.levels import parse_level
from registry.domain.millimetres import LARGEST_EXTENT_MM, parse_tenths, to_tenths
from registry.domain.techniques import EntryTechnique
from registry.domain.words import folded, parse_word

if TYPE_CHECKING:
    from collections.abc import Callable
    from enum import StrEnum

# Checks of ours against slips of the keyboard; none has a source.
LARGEST_REFERENCE = 64
LARGEST_NAME = 120
LARGEST_WORDS = 200
LARGEST_NUMBER = 9
EARLIEST_YEAR = 1900
LARGEST_DIAMETER_MM = Decimal(20)
LARGEST_LENGTH_MM = Decimal(200)
LARGEST_COBB_DEG = Decimal(180)
LARGEST_ANGLE_DEG = Decimal(90)
LARGEST_BODY_MASS_INDEX = Decimal(150)

_GROUP_SEPARATOR = "\x1d"  # GS1 General Specifications 7.8.3: ends a field inside a scanned code
# Unicode Standard Annex 9: marks that turn the direction of the text that follows.
_TURNS = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_TRUTHS = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
_SIDES = {"left": Side.LEFT, "right": Side.RIGHT}


class NamedTechnique(NamedTuple):
    """An entry technique, and for `other` the words that say which."""

    technique: EntryTechnique
    words: str


def _plain(text: str, at_most: int, allowed: str = "") -> str:
    if any(
        (unicodedata.category(mark) in {"Cc", "Cs"} and mark not in allowed) or mark in _TURNS
        for mark in text
    ):
        raise ValueError("take out the control characters")
    if len(text) > at_most:
        raise ValueError(f"use at most {at_most} characters")
    return text


def reference(text: str) -> str:
    """Return a case's or a patient's reference exactly as it stands."""
    return _plain(unicodedata.normalize("NFC", text), LARGEST_REFERENCE)


def words(text: str, at_most: int = LARGEST_WORDS) -> str:
    """Return free text on one line."""
    line = re.sub(r"[ \t\r\n\u00a0]+", " ", unicodedata.normalize("NFC", text))
    return _plain(line, at_most)


def implant(text: str) -> str:
    """Return an implant identifier as scanned, group separators kept."""
    return _plain(text, LARGEST_WORDS, _GROUP_SEPARATOR)


def person(text: str) -> str:
    """Return one person's name, white space inside it made single."""
    name = words(text)
    if re.search(r"[|+;/]", name):
        raise ValueError("name one person; several stand only in assistants, with | between them")
    return _plain(name, LARGEST_NAME)


def people(text: str) -> tuple[str, ...]:
    """Return several persons' names, each once; `|` or `+` stands between them."""
    parts = [part.strip() for part in re.split(r"[|+]", text)]
    if not all(parts):
        raise ValueError("write A | B, with a name on both sides of each |")
    try:
        return tuple(dict.fromkeys(person(part) for part in parts))
    except ValueError as error:
        mend = str(error)
        raise ValueError(
            "put | between the persons" if mend.startswith("name one person") else mend
        ) from None


def day(text: str) -> date:
    """Return a calendar day written as ISO 8601 has it, YYYY-MM-DD."""
    mend = "write days as YYYY-MM-DD, such as 2026-03-31"
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        raise ValueError(mend)
    try:
        found = date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"the calendar has no such day; {mend}") from None
    if found.year < EARLIEST_YEAR:
        raise ValueError(f"give a year from {EARLIEST_YEAR} on")
    return found


def truth(text: str) -> bool:
    """Return yes or no."""
    try:
        return _TRUTHS[text.casefold()]
    except KeyError:
        raise ValueError("use yes or no (true, false, 1 and 0 are read too)") from None


def revision(text: str) -> bool:
    """Return whether a case is a revision: yes or no, or the words themselves."""
    named = {"primary": False, "revision": True}.get(text.casefold())
    return truth(text) if named is None else named


def number(text: str) -> int:
    """Return which screw of a side and level this is."""
    if not re.fullmatch(r"[1-9]", text):
        raise ValueError(f"give a whole number from 1 to {LARGEST_NUMBER}")
    return int(text)


def tenths(largest: Decimal, *, above_zero: bool = False) -> Callable[[str], Decimal]:
    """Return a reader of numbers in whole tenths up to `largest`."""

    def read(text: str) -> Decimal:
        # Shape and length first: Decimal takes far more than a person types.
        if "," in text:
            raise ValueError("write one decimal point and no mark between thousands, such as 2.1")
        if not re.fullmatch(r"-?(?:[0-9]{1,6}(?:\.[0-9]{1,6})?|\.[0-9]{1,6})", text):
            raise ValueError("give a number such as 2.1, without its unit")
        value = parse_tenths(text)
        if value > largest:
            raise ValueError(f"give at most {largest}")
        if above_zero and value == 0:
            raise ValueError("give a number above 0, or leave the cell empty")
        return value

    return read


extent = tenths(LARGEST_EXTENT_MM)


def angle(text: str) -> Decimal:
    """Return an angle in whole tenths of a degree, of either sign."""
    if "," in text:
        raise ValueError("write a decimal point, such as -4.5")
    if not re.fullmatch(r"-?[0-9]{1,3}(?:\.[0-9]{1,6})?", text):
        raise ValueError("give degrees such as 12.5 or -4, without their unit")
    value = Decimal(text)
    if abs(value) > LARGEST_ANGLE_DEG:
        raise ValueError(f"give degrees from -{LARGEST_ANGLE_DEG} to {LARGEST_ANGLE_DEG}")
    if value != to_tenths(value):
        raise ValueError("give at most one decimal place")
    return to_tenths(value) + 0  # 0, not -0


def level_code(text: str) -> str:
    """Return a level's code."""
    return parse_level(text).code


def side(text: str) -> Side:
    """Return the patient's side."""
    return parse_word(Side, text, _SIDES)


def word(kind: type[StrEnum]) -> Callable[[str], StrEnum]:
    """Return a reader of one closed set of words."""
    return lambda text: parse_word(kind, text)


def entry_technique(text: str) -> NamedTechnique:
    """Return an entry technique; `other` says which after a colon."""
    head, colon, rest = text.partition(":")
    if folded(head) == EntryTechnique.OTHER.value:
        which = words(rest.strip())
        if not which:
            raise ValueError("say which: other: words")
        return NamedTechnique(EntryTechnique.OTHER, which)
    if colon:
        raise ValueError("only other is followed by words: other: words")
    return NamedTechnique(parse_word(EntryTechnique, text), "")
