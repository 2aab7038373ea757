"""Column types of the ledger, and how each value is written down for the trail.

SQLite keeps whatever it is given, so the types here refuse a wrong value on the way in, and
`canonical` takes the raw stored value on the way to the trail, where a wrong one cannot hide.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from decimal import Decimal
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from sqlalchemy import Boolean, Date, DateTime, Integer, Text
from sqlalchemy.types import TypeDecorator

if TYPE_CHECKING:
    from collections.abc import Callable

    from sqlalchemy.engine import Dialect
    from sqlalchemy.types import TypeEngine

    from registry.domain.trail import Canonical

_TEN = 10
_TENTH = Decimal("0.1")
_SQLITE_INSTANT = re.compile(r"(\d{4}-\d\d-\d\d) (\d\d:\d\d:\d\d\.\d{6})")


@lru_cache(maxsize=4096)
def _decimal(tenths: int) -> Decimal:
    return Decimal(tenths).scaleb(-1)


class Tenths(TypeDecorator[Decimal]):
    """A Decimal in whole tenths, stored as an integer."""

    impl = Integer
    cache_ok = True

    def process_bind_param(self, value: Decimal | None, dialect: Dialect) -> int | None:
        """Return the number of tenths; ValueError where `value` is finer."""
        del dialect
        if value is None:
            return None
        tenths = value * _TEN
        if tenths != tenths.to_integral_value():
            raise ValueError(f"{value} is finer than a tenth")
        return int(tenths)

    def process_result_value(self, value: int | None, dialect: Dialect) -> Decimal | None:
        """Return the Decimal."""
        del dialect
        return None if value is None else _decimal(value)


class Instant(TypeDecorator[datetime]):
    """An instant in UTC; a value without a zone is refused."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return `value` in UTC, bare on SQLite which keeps no zone."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("an instant needs its zone")
        in_utc = value.astimezone(UTC)
        return in_utc.replace(tzinfo=None) if dialect.name == "sqlite" else in_utc

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return the instant in UTC."""
        del dialect
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Secret(TypeDecorator[str]):
    """Text that the trail names only by a keyed digest."""

    impl = Text
    cache_ok = True


def instant_text(value: datetime) -> str:
    """Return an instant as the trail writes it."""
    return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def stored_writer(kind: TypeEngine[Any]) -> Callable[[object], Canonical]:
    """Return what writes a raw stored value of a type; what the type cannot hold is marked."""
    return next((write for held, write in _WRITERS if isinstance(kind, held)), _canonical_text)


def value_writer(kind: TypeEngine[Any]) -> Callable[[Any], Canonical]:
    """Return what writes a value that is about to be stored, equal to what is read back raw."""
    if isinstance(kind, Tenths):
        return _tenths_text
    if isinstance(kind, Instant):
        return instant_text
    return stored_writer(kind)


def _tenths_text(value: Decimal) -> str:
    return str(value.quantize(_TENTH))


def _canonical_tenths(raw: object) -> Canonical:
    return f"{Decimal(raw).scaleb(-1)}" if type(raw) is int else _odd(raw)


def _canonical_flag(raw: object) -> Canonical:
    return bool(raw) if isinstance(raw, int) and raw in (0, 1) else _odd(raw)


def _canonical_number(raw: object) -> Canonical:
    return raw if type(raw) is int else _odd(raw)


def _canonical_text(raw: object) -> Canonical:
    return raw if isinstance(raw, str) else _odd(raw)


def _canonical_instant(raw: object) -> str:
    if isinstance(raw, datetime) and raw.tzinfo is not None:
        return instant_text(raw)
    stored = _SQLITE_INSTANT.fullmatch(raw) if isinstance(raw, str) else None
    return f"{stored[1]}T{stored[2]}Z" if stored else _odd(raw)


def _canonical_day(raw: object) -> str:
    if isinstance(raw, date):
        return raw.isoformat()
    if isinstance(raw, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", raw):
        return raw
    return _odd(raw)


def _odd(raw: object) -> str:
    return f"{type(raw).__name__} {raw!r} in a column of another type"


_WRITERS: tuple[tuple[type[TypeEngine[Any]], Callable[[object], Canonical]], ...] = (
    (Tenths, _canonical_tenths),
    (Instant, _canonical_instant),
    (Boolean, _canonical_flag),
    (Date, _canonical_day),
    (Integer, _canonical_number),
)
