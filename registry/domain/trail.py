"""The append-only trail: how a row is written down, and how each event seals the one before."""

from __future__ import annotations

import hashlib
import hmac
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

Canonical = str | int | bool | None
"""A value as the trail keeps it; decimals, days and instants are text."""

GENESIS = "0" * 64
"""Stands where the first event would name the one before."""


@dataclass(frozen=True)
class Event:
    """One line of the trail; `before` and `after` are canonical rows or ''."""

    sequence: int
    at: str
    actor: str
    verb: str
    record: str
    before: str
    after: str
    reason: str
    previous: str
    digest: str


def canonical_row(row: Mapping[str, Canonical]) -> str:
    """Return a row as JSON with sorted keys and no spaces."""
    return json.dumps(row, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def event_digest(key: bytes, event: Event) -> str:
    """Return the HMAC-SHA-256 of everything an event says, the digest before it included.

    References
    ----------
    RFC 2104 (HMAC), FIPS 180-4 (SHA-256).
    """
    said = [
        event.sequence,
        event.at,
        event.actor,
        event.verb,
        event.record,
        event.before,
        event.after,
        event.reason,
        event.previous,
    ]
    text = json.dumps(said, separators=(",", ":"), ensure_ascii=False)
    return _hmac(key, text)


def head_seal(key: bytes, length: int, head: str) -> str:
    """Return the HMAC-SHA-256 of the trail's length and last digest."""
    return _hmac(key, f"head|{length}|{head}")


def keyed_digest(key: bytes, value: str) -> str:
    """Return what the trail holds in place of a secret column's value."""
    return "keyed:" + _hmac(key, f"column|{value}")


def _hmac(key: bytes, text: str) -> str:
    # What was never text (bytes changed on the disk) has a digest too, and it is another.
    return hmac.new(key, text.encode("utf-8", "surrogatepass"), hashlib.sha256).hexdigest()
