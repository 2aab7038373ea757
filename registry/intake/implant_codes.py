"""Implant stickers as a scanner types them: what the code says, and what is doubtful about it.

The scan itself is kept as it came; this is only what is shown beside it.

GS1 codes are read by biip. A keyboard-wedge scanner may drop the separator (FNC1) that ends a lot
or serial number; what follows is then swallowed, and is asked about. HIBC codes are read here, by
ANSI/HIBC 2.6.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Literal

from biip import ParseError
from biip.gs1_messages import GS1Message

if TYPE_CHECKING:
    from collections.abc import Collection

    from biip.gs1_element_strings import GS1ElementString

_SYMBOLOGY = re.compile(r"\](?:C1|d2|Q3|e0)")  # ISO/IEC 15424 prefixes of GS1 symbols
_SEPARATOR = "\x1d"
_TITLES = {"10": "lot", "21": "serial number"}
# Fields that may follow without a separator, and how they look (GS1 General Specifications, table
# of application identifiers): those of fixed length first, they are the surer.
_FOLLOWING = (
    ("01", re.compile(r"(?P<own>.+?)(?P<rest>01\d{14}.*)")),
    ("11", re.compile(r"(?P<own>.+?)(?P<rest>11\d{2}(?:0[1-9]|1[0-2])(?:[0-2]\d|3[01]).*)")),
    ("17", re.compile(r"(?P<own>.+?)(?P<rest>17\d{2}(?:0[1-9]|1[0-2])(?:[0-2]\d|3[01]).*)")),
    ("21", re.compile(r"(?P<own>.+)(?P<rest>21.+)")),
    ("10", re.compile(r"(?P<own>.+)(?P<rest>10.+)")),
)
_DAY_FIELDS = {"11": "production date", "17": "expiry"}


@dataclass(frozen=True)
class ImplantCode:
    """What a sticker says.

    Attributes
    ----------
    standard : whose rules it follows, None where it follows neither
    device, lot, serial : its device identifier, lot and serial number
    made_on, expires_on : days
    doubts : what does not fit, each a sentence that says what to look at
    """

    standard: Literal["GS1", "HIBC"] | None
    device: str | None = None
    lot: str | None = None
    serial: str | None = None
    made_on: date | None = None
    expires_on: date | None = None
    doubts: tuple[str, ...] = ()

    def lines(self, operated_on: date | None) -> list[str]:
        """Return it in words; expiry is held against the day of operation."""
        told = []
        if self.standard is not None:
            parts = [
                (self.device, "device"),
                (self.lot, "lot"),
                (self.serial, "serial number"),
                (self.made_on, "made on"),
                (self.expires_on, "expires on"),
            ]
            said = ", ".join(f"{word} {value}" for value, word in parts if value is not None)
            told.append(f"{self.standard}: {said or 'nothing that is kept for an implant'}")
        if (
            operated_on is not None
            and self.expires_on is not None
            and self.expires_on < operated_on
        ):
            told.append(f"it had expired on the day of operation, {operated_on}")
        return [*told, *self.doubts]


def read_implant_code(scanned: str) -> ImplantCode:
    """Return what a scanned or typed sticker says; nothing is refused.

    Examples
    --------
    FDA, UDI formats by accredited issuing agency, version 1.3, 2017:

    >>> code = read_implant_code("(01)51022222233336(11)141231(17)150707(10)A213B1(21)1234")
    >>> code.device, code.lot, code.serial, code.expires_on
    ('51022222233336', 'A213B1', '1234', datetime.date(2015, 7, 7))
    """
    text = scanned.strip().strip("*")
    if text.startswith("+"):
        return _hibc(text)
    text = _SYMBOLOGY.sub("", text, count=1) if text.startswith("]") else text
    text = text.lstrip(_SEPARATOR)
    try:
        message = GS1Message.parse_hri(text) if text.startswith("(") else GS1Message.parse(text)
    except ParseError:
        return ImplantCode(
            None,
            doubts=("not read as GS1 or HIBC: it is kept as it is; scan again if that is a slip",),
        )
    has_ends = text.startswith("(") or _SEPARATOR in text
    return _gs1(message.element_strings, has_ends=has_ends)


def _gs1(fields: list[GS1ElementString], *, has_ends: bool) -> ImplantCode:
    said = {field.ai.ai: field for field in fields}
    doubts = []
    device = said.get("01")
    if device is not None and device.gtin_error:
        doubts.append(f"device {device.value}: its check digit does not fit; scan again")
    for ai, title in _DAY_FIELDS.items():
        if ai in said and said[ai].date is None:
            doubts.append(f"{title} {said[ai].value} is no day of the calendar; scan again")
    if not has_ends:
        doubts += [
            doubt for ai in _TITLES if ai in said for doubt in _swallowed(ai, said[ai].value, said)
        ]

    def value(ai: str) -> str | None:
        return said[ai].value if ai in said else None

    def day(ai: str) -> date | None:
        return said[ai].date if ai in said else None

    return ImplantCode("GS1", value("01"), value("10"), value("21"), day("11"), day("17"),
                       tuple(doubts))  # fmt: skip


def _swallowed(ai: str, value: str, said: Collection[str]) -> list[str]:
    """Ask about a lot or serial number that may hold a field that the sticker lacks otherwise."""
    for other, looks in _FOLLOWING:
        found = None if other in said else looks.fullmatch(value)
        if found is not None:
            told = (
                f"{_TITLES[ai]} {value} may hold a field that follows it, because scanners may "
                f"drop the separator: is it {_TITLES[ai]} {found['own']} and then "
                f"{found['rest']}? If so, type the code as the sticker prints it, with its brackets"
            )
            return [told]
    return []


# ANSI/HIBC 2.6, appendix B: the place of a character here is its value.
_HIBC_CHARACTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"
_HIBC_MODULUS = 43
_PRIMARY = re.compile(r"\+(?P<device>[A-Z][A-Z0-9]{3}[A-Z0-9]{1,18}[0-9])(?P<rest>.*)", re.DOTALL)
# The digit after $$ says how the expiry is written: characters that it takes, and their meaning.
_HIBC_DAYS = {
    "2": (6, "MMDDYY"),
    "3": (6, "YYMMDD"),
    "4": (8, "YYMMDDHH"),
    "5": (5, "YYJJJ"),
    "6": (7, "YYJJJHH"),
    "7": (0, ""),
}
_QUANTITY_DIGITS = {"8": 2, "9": 5}
_CENTURY = 2000  # two digits of a year; implants are not older (common practice, no source)


def hibc_check_character(text: str) -> str:
    """Return the check character of a HIBC code without it; ValueError on a character it lacks.

    Examples
    --------
    >>> hibc_check_character("+A123BJC5D6E71")  # ANSI/HIBC 2.6, appendix B.2.0
    'G'
    """
    total = sum(_HIBC_CHARACTERS.index(character) for character in text)
    return _HIBC_CHARACTERS[total % _HIBC_MODULUS]


def _hibc(scanned: str) -> ImplantCode:
    # The check character may be a space, which is lost where a field's ends are trimmed.
    whole = next((text for text in (scanned, f"{scanned} ") if _is_checked(text)), None)
    wrong = () if whole else ("the HIBC check character does not fit; scan again",)
    text = (whole or scanned)[:-1]
    found = _PRIMARY.fullmatch(text)
    code = ImplantCode("HIBC", doubts=wrong)
    if found is None:
        # A second symbol by itself: its last character links it to the first.
        return _second(code, text[1:-1])
    code = replace(code, device=found["device"])
    for part in found["rest"].removeprefix("/").split("/"):
        code = _second(code, part) if part.startswith("$") else _supplement(code, part)
    return code


def _is_checked(text: str) -> bool:
    try:
        return hibc_check_character(text[:-1]) == text[-1:]
    except ValueError:
        return False


def _supplement(code: ImplantCode, part: str) -> ImplantCode:
    """Take a supplementary field: data identifiers S, 14D and 16D."""
    if part.startswith("S"):
        return replace(code, serial=part[1:])
    mark, written = part[:3], part[3:]
    if mark not in {"14D", "16D"}:
        return code if not part else _doubting(code, f"{part} is not read")
    day = _day(written, "YYYYMMDD")
    if day is None:
        return _doubting(code, f"{written} is no day of the calendar; scan again")
    return replace(code, expires_on=day) if mark == "14D" else replace(code, made_on=day)


def _second(code: ImplantCode, part: str) -> ImplantCode:
    """Take lot or serial number and expiry from secondary data."""
    found = re.fullmatch(r"(\${1,2})(\+?)(.*)", part, re.DOTALL)
    if found is None:
        return _doubting(code, "the HIBC secondary data is not read; scan again")
    marks, plus, rest = found.groups()
    day: date | None = None
    if marks == "$$":
        if not plus and rest[:1] in _QUANTITY_DIGITS:
            rest = rest[1 + _QUANTITY_DIGITS[rest[0]] :]
        length, pattern = _HIBC_DAYS.get(rest[:1], (4, "MMYY"))
        rest = rest[1:] if rest[:1] in _HIBC_DAYS else rest
        written, rest = rest[:length], rest[length:]
        if pattern:
            day = _day(written, pattern)
            if day is None:
                code = _doubting(code, f"expiry {written} is no day of the calendar; scan again")
    code = replace(code, expires_on=day or code.expires_on)
    return replace(code, serial=rest or None) if plus else replace(code, lot=rest or None)


def _doubting(code: ImplantCode, doubt: str) -> ImplantCode:
    return replace(code, doubts=(*code.doubts, doubt))


def _day(written: str, pattern: str) -> date | None:
    """Return the day that digits in a pattern give; the month's last where none is written."""
    if len(written) != len(pattern) or not (written.isascii() and written.isdigit()):
        return None
    taken = dict.fromkeys("YMDJH", "")
    for digit, mark in zip(written, pattern, strict=True):
        taken[mark] += digit
    year = int(taken["Y"]) + (_CENTURY if len(taken["Y"]) == 2 else 0)  # noqa: PLR2004 - YY
    try:
        if taken["J"]:
            day = date(year, 1, 1) + timedelta(days=int(taken["J"]) - 1)
            return day if day.year == year else None
        if taken["D"]:
            return date(year, int(taken["M"]), int(taken["D"]))
        month = int(taken["M"])
        first_of_next = date(year + month // 12, month % 12 + 1, 1)
        return first_of_next - timedelta(days=1) if 1 <= month <= 12 else None  # noqa: PLR2004
    except ValueError:
        return None
