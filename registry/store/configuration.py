"""Settings from `HOME/config.toml`, overridden by the environment."""

from __future__ import annotations

import re
import tomllib
from dataclasses import fields, replace
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from registry.domain.directions import Direction
from registry.domain.network import Node, Sender, checked_title, parse_node, parse_sender
from registry.domain.problems import BadInputError, Fault
from registry.domain.readings import CountedReading, ProposalExtents
from registry.domain.scales import SCALES
from registry.domain.settings import Settings
from registry.domain.words import parse_word

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from enum import StrEnum
    from pathlib import Path

PREFIX = "PEDICLE_LEDGER_"
_HOST = re.compile(r"[a-z0-9]([a-z0-9.-]*[a-z0-9])?|\[[0-9a-f:.]+\]")
_LONGEST_WORDS = 4000
_TRUTHS = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}


def read_settings(path: Path, environment: Mapping[str, str]) -> Settings:
    """Return the settings of a ledger.

    Raises
    ------
    BadInputError
        every setting that is unknown or has a value it cannot have
    """
    try:
        said = tomllib.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadInputError(
            Fault(f"not a TOML file: {error}", path.name, "mend the line")
        ) from None
    known = {field.name for field in fields(Settings)}
    faults = [
        Fault(f"unknown setting {name!r}", path.name, "see the list in DEVELOPERS.md")
        for name in said
        if name not in known
    ]
    values: dict[str, Any] = {}
    for name in known:
        where = path.name
        value = said.get(name)
        if PREFIX + name.upper() in environment:
            where, value = PREFIX + name.upper(), environment[PREFIX + name.upper()]
        if value is None:
            continue
        try:
            values[name] = _PARSERS[name](value)
        except (ValueError, InvalidOperation, KeyError, TypeError, OSError) as error:
            # An address may have a password written into it.
            shown = "what is given" if name == "archive_url" else repr(value)
            faults.append(Fault(f"{name} cannot be {shown}", where, str(error)))
    if faults:
        raise BadInputError(*faults)
    return replace(Settings(), **values)


def _text(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError("give a text")
    return value.strip()


def _zone(value: object) -> str:
    name = _text(value)
    try:
        ZoneInfo(name)
    except (ValueError, KeyError):
        raise ValueError("give an IANA zone such as Europe/Berlin") from None
    return name


def _scale(value: object) -> str:
    if value not in SCALES:
        raise ValueError("use one of: " + ", ".join(SCALES))
    return str(value)


def _decimal(low: str, high: str) -> Callable[[object], Decimal]:
    def parse(value: object) -> Decimal:
        found = Decimal(str(value))
        if not Decimal(low) <= found <= Decimal(high):
            raise ValueError(f"give a number from {low} to {high}")
        return found

    return parse


def _standard(value: object) -> Decimal | None:
    """Return a standard in per cent; None for an empty text."""
    return None if str(value).strip() == "" else _decimal("0", "100")(value)


def _word_of(words: type[StrEnum]) -> Callable[[object], StrEnum]:
    def parse(value: object) -> StrEnum:
        try:
            return parse_word(words, str(value))
        except ValueError:
            raise ValueError("use one of: " + ", ".join(words)) from None

    return parse


def _share(value: object) -> Decimal:
    found = _decimal("0", "1")(value)
    if found != found.quantize(Decimal("0.001")):
        raise ValueError("give a number from 0 to 1 with at most three decimals")
    return found


def _mixed_share(value: object) -> Decimal:
    found = _share(value)
    if found > Decimal("0.5"):
        raise ValueError("give a number from 0 to 0.5: the audit's own screws are read as well")
    return found


def _whole(low: int, high: int) -> Callable[[object], int]:
    def parse(value: object) -> int:
        found = int(str(value))
        if not low <= found <= high:
            raise ValueError(f"give a whole number from {low} to {high}")
        return found

    return parse


def _flag(value: object) -> bool:
    found = value if isinstance(value, bool) else _TRUTHS.get(str(value).strip().casefold())
    if found is None:
        raise ValueError("give true or false")
    return found


def _items(value: object) -> list[object]:
    if isinstance(value, str):
        return list(value.split(","))
    if isinstance(value, list):
        return value
    raise ValueError("give a list")


def _cut_offs(value: object) -> tuple[Decimal, ...]:
    return tuple(_decimal("0.1", "60")(str(item).strip()) for item in _items(value))


def _window(value: object) -> tuple[int, int]:
    first, last = (_whole(0, 3650)(str(item).strip()) for item in _items(value))
    if first > last:
        raise ValueError("give the first day, then the last")
    return first, last


def _hosts(value: object) -> tuple[str, ...]:
    found = tuple(str(item).strip().casefold() for item in _items(value) if str(item).strip())
    for name in found:
        if not _HOST.fullmatch(name):
            raise ValueError("give host names such as ledger.example.org, without scheme or path")
    return found


def _words(value: object) -> str:
    if not isinstance(value, str) or len(value) > _LONGEST_WORDS:
        raise ValueError(f"give a text of at most {_LONGEST_WORDS} characters, empty for none")
    return value.strip()


def _limits(value: object) -> tuple[tuple[Direction, Decimal], ...]:
    """Return limits by direction: a table in the file, medial=4,caudal=4 in the environment."""
    if isinstance(value, str):
        pairs = [item.partition("=")[::2] for item in value.split(",") if item.strip()]
    elif isinstance(value, dict):
        pairs = [(str(name), str(limit)) for name, limit in value.items()]
    else:
        raise TypeError("give a table such as { medial = 4, caudal = 4 }")
    limit = _decimal("0.1", "60")
    return tuple((Direction(name.strip()), limit(size.strip())) for name, size in pairs)


def _title(value: object) -> str:
    return checked_title(_text(value))


def _senders(value: object) -> tuple[Sender, ...]:
    return tuple(parse_sender(str(item)) for item in _items(value) if str(item).strip())


def _node(value: object) -> Node | None:
    text = _words(value)
    return parse_node(text) if text else None


def web_address(value: object) -> str:
    """Return the address of a web service; ValueError where it is none, or carries a password."""
    text = _words(value).rstrip("/")
    if not text:
        return ""
    parts = urlsplit(text)
    _ = parts.port  # raises where it is no number
    if parts.scheme not in {"http", "https"} or not parts.hostname or parts.query or parts.fragment:
        raise ValueError("give an address such as https://archive.example.org/dicom-web")
    if parts.username or parts.password:
        raise ValueError("no name or password in the address: name a file in archive_login")
    return text


_PARSERS: dict[str, Callable[[Any], object]] = {
    "unit_name": _text,
    "zone": _zone,
    "scale": _scale,
    "headline_mm": _decimal("0.1", "60"),
    "cut_offs_mm": _cut_offs,
    "near_share": _decimal("0", "1"),
    "tolerance_mm": _decimal("0", "10"),
    "floor_mm": _decimal("0", "2"),
    "audit_window_days": _window,
    "outcome_window_days": _window,
    "minimum_graded": _whole(0, 1000),
    "second_reads_all": _flag,
    "second_share": _share,
    "overdue_days": _whole(1, 365),
    "policy_words": _words,
    "policy_mm": _limits,
    "standard_percent": _standard,
    "standard_words": _words,
    "reply_days": _whole(0, 365),
    "seal_delay_days": _whole(0, 365),
    "seal_countersigned": _flag,
    "reply_cover": _whole(0, 50),
    "practice_screws": _whole(0, 500),
    "known_truth_share": _mixed_share,
    "makes_proposals": _flag,
    "proposal_extents": _word_of(ProposalExtents),
    "counted_reading": _word_of(CountedReading),
    "session_hours": _whole(1, 24),
    "session_idle_minutes": _whole(1, 24 * 60),
    "hosts": _hosts,
    "behind_https": _flag,
    "proxies": _whole(0, 5),
    "quiet_seconds": _whole(1, 24 * 3600),
    "arrival_days": _whole(1, 365),
    "largest_arrival_mb": _whole(1, 1_000_000),
    "keep_free_mb": _whole(0, 1_000_000),
    "receiver_title": _title,
    "receiver_peers": _senders,
    "archive_url": web_address,
    "archive_peer": _node,
    "archive_login": _words,
    "archive_in_clear": _flag,
    "dicom_certificate": _words,
    "dicom_key": _words,
    "dicom_authority": _words,
}
