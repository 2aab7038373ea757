"""The rows of a table as lines of JSON that are the same whichever database holds them.

A line is a list of the values in the order of the columns' names. Values are taken raw, past
every column type: what a type cannot hold is marked as odd and goes back as it was.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING, Any

from sqlalchemy import Boolean, Date, DateTime, Integer, inspect, text

from registry.domain.problems import BadInputError, Fault
from registry.store import migrating
from registry.store.columns import instant_text
from registry.store.session import every_byte, make_engine

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from sqlalchemy import Connection
    from sqlalchemy.types import TypeEngine

BATCH = 2000
_SQLITE_INSTANT = re.compile(r"(\d{4}-\d\d-\d\d) (\d\d:\d\d:\d\d\.\d{6})")
_DAY = re.compile(r"\d{4}-\d\d-\d\d")
_ODD = "odd"
_STREAMED = {"stream_results": True, "yield_per": BATCH}


class Kind(StrEnum):
    """What a column holds."""

    NUMBER = "number"
    TEXT = "text"
    FLAG = "flag"
    DAY = "day"
    INSTANT = "instant"


_KINDS: tuple[tuple[type[TypeEngine[Any]], Kind], ...] = (
    (Boolean, Kind.FLAG),
    (DateTime, Kind.INSTANT),
    (Date, Kind.DAY),
    (Integer, Kind.NUMBER),
)


@dataclass(frozen=True)
class Shape:
    """A table: its columns by name, what each holds, and which of them order its rows."""

    table: str
    columns: tuple[tuple[str, Kind], ...]
    key: tuple[str, ...]

    @property
    def names(self) -> str:
        """Return the columns' names as SQL lists them."""
        return ", ".join(f'"{name}"' for name, _ in self.columns)


@cache
def shapes_at(revision: str) -> tuple[Shape, ...]:
    """Return every table that the schema has at a revision, by name.

    An empty database in memory is asked, so that an older schema is known as well as this one and
    whatever else stands in a ledger's database is none of it. That takes every step of the schema,
    so a revision is asked for once.
    """
    engine = make_engine("sqlite://")
    try:
        with engine.connect() as connection, connection.begin():
            migrating.step(connection, revision)
            found = inspect(connection)
            return tuple(
                Shape(
                    table,
                    tuple(sorted((c["name"], _kind(c["type"])) for c in found.get_columns(table))),
                    tuple(found.get_pk_constraint(table)["constrained_columns"]),
                )
                for table in sorted(found.get_table_names())
                if table != "alembic_version"
            )
    finally:
        engine.dispose()


def _kind(found: TypeEngine[Any]) -> Kind:
    return next((kind for held, kind in _KINDS if isinstance(found, held)), Kind.TEXT)


def lines(connection: Connection, shape: Shape) -> Iterator[bytes]:
    """Yield a table's rows in the order of its key, a few thousand in memory at a time."""
    is_sqlite = connection.dialect.name == "sqlite"
    kinds = dict(shape.columns)
    # The servers' own orders of text differ; bytes do not.
    byte_order = "BINARY" if is_sqlite else '"C"'
    order = ", ".join(
        f'"{name}"' + (f" COLLATE {byte_order}" if kinds[name] is Kind.TEXT else "")
        for name in shape.key
    )
    asked = text(f'SELECT {shape.names} FROM "{shape.table}" ORDER BY {order}')  # noqa: S608 - own names only
    with every_byte(connection):
        for row in connection.execute(asked, execution_options=_STREAMED):
            values = [
                None if raw is None else _portable(raw, kind)
                for raw, (_, kind) in zip(row, shape.columns, strict=True)
            ]
            yield json.dumps(values, separators=(",", ":")).encode() + b"\n"


def digest_of(written: Iterable[bytes]) -> tuple[str, int]:
    """Return the SHA-256 of lines and how many there are."""
    digest, count = hashlib.sha256(), 0
    for line in written:
        digest.update(line)
        count += 1
    return digest.hexdigest(), count


def _portable(raw: object, kind: Kind) -> object:
    found = _PORTABLE[kind](raw)
    if found is not None:
        return found
    return {_ODD: {"bytes": raw.hex()} if isinstance(raw, bytes) else raw}


def _number(raw: object) -> object:
    return raw if type(raw) is int else None


def _text(raw: object) -> object:
    return raw if isinstance(raw, str) else None


def _flag(raw: object) -> object:
    return bool(raw) if isinstance(raw, int) and raw in (0, 1) else None


def _day(raw: object) -> object:
    if isinstance(raw, date):
        return raw.isoformat()
    return raw if isinstance(raw, str) and _DAY.fullmatch(raw) else None


def _instant(raw: object) -> object:
    if isinstance(raw, datetime):
        return instant_text(raw)
    found = _SQLITE_INSTANT.fullmatch(raw) if isinstance(raw, str) else None
    return f"{found[1]}T{found[2]}Z" if found else None


_PORTABLE = {
    Kind.NUMBER: _number,
    Kind.TEXT: _text,
    Kind.FLAG: _flag,
    Kind.DAY: _day,
    Kind.INSTANT: _instant,
}


def write_lines(connection: Connection, shape: Shape, written: Iterable[bytes]) -> None:
    """Add a table's rows as they were."""
    if connection.dialect.name == "sqlite":
        _write_sqlite(connection, shape, written)
    else:
        _write_postgres(connection, shape, written)


def _write_sqlite(connection: Connection, shape: Shape, written: Iterable[bytes]) -> None:
    raw: Any = connection.connection.driver_connection
    start = f'INSERT INTO "{shape.table}" ({shape.names}) VALUES '  # noqa: S608 - own names only
    plain = start + _places(["?"] * len(shape.columns))
    batch: list[list[object]] = []
    for line in written:
        values = [_for_sqlite(value, kind) for value, kind in _values(shape, line)]
        places = ["?"] * len(values)
        for number, value in enumerate(values):
            if isinstance(value, str) and not _is_text(value):
                # Bytes that are no UTF-8 in a column of text.
                values[number] = value.encode("utf-8", "surrogateescape")
                places[number] = "CAST(? AS TEXT)"
        if "CAST(? AS TEXT)" in places:
            raw.execute(start + _places(places), values)
            continue
        batch.append(values)
        if len(batch) >= BATCH:
            raw.executemany(plain, batch)
            batch.clear()
    raw.executemany(plain, batch)


def _places(each: list[str]) -> str:
    return f"({', '.join(each)})"


def _is_text(value: str) -> bool:
    try:
        value.encode()
    except UnicodeEncodeError:
        return False
    return True


def _for_sqlite(value: object, kind: Kind) -> object:
    if isinstance(value, dict):
        odd = value[_ODD]
        return bytes.fromhex(odd["bytes"]) if isinstance(odd, dict) else odd
    if isinstance(value, bool):
        return int(value)
    if kind is Kind.INSTANT and isinstance(value, str):
        return value.replace("T", " ").removesuffix("Z")
    return value


def _write_postgres(connection: Connection, shape: Shape, written: Iterable[bytes]) -> None:
    raw: Any = connection.connection.driver_connection
    with (
        raw.cursor() as cursor,
        cursor.copy(f'COPY "{shape.table}" ({shape.names}) FROM STDIN') as copy,
    ):
        for line in written:
            row = []
            for (value, _), (name, _) in zip(_values(shape, line), shape.columns, strict=True):
                if isinstance(value, dict) or (isinstance(value, str) and not _fits(value)):
                    raise BadInputError(
                        Fault(
                            f"a row of {shape.table} holds what PostgreSQL cannot keep in the "
                            f"column {name}",
                            mend="run `pedicle-ledger verify` on the ledger it comes from",
                        )
                    )
                row.append(value)
            copy.write_row(row)


def _fits(value: str) -> bool:
    return "\0" not in value and _is_text(value)


def _values(shape: Shape, line: bytes) -> Iterable[tuple[Any, Kind]]:
    found = json.loads(line)
    if not isinstance(found, list) or len(found) != len(shape.columns):
        raise BadInputError(Fault(f"a row of {shape.table} has another number of columns"))
    return zip(found, (kind for _, kind in shape.columns), strict=True)
