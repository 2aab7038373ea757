"""Changes behind the program's back: what somebody with the database, but without the keys, can do.

Each is applied alone inside a savepoint that is rolled back. Triggers and constraints are out of
the way while it happens, and the triggers are back before anybody looks.
"""

# ruff: noqa: S608 - the statements are made of the ledger's own names, and harm is their purpose

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from registry.store.models.every import TRACKED
from registry.store.verification import verify

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from random import Random

    from sqlalchemy import Connection

    from registry.store.home import Ledger
    from registry.store.verification import Wrong

TABLES = [model.__tablename__ for model in TRACKED]
EVERY = [*TABLES, "event", "trail_head"]
_TRIES = 200


@dataclass(frozen=True)
class Tampering:
    """What was done, and the records that must be named for it."""

    what: str
    names: frozenset[str]


class Tamperer:
    """Tampers with one ledger's database over one connection."""

    def __init__(self, ledger: Ledger, connection: Connection, random: Random) -> None:
        self.ledger = ledger
        self.connection = connection
        self.random = random
        self.is_sqlite = connection.dialect.name == "sqlite"
        self._triggers = self._trigger_statements()
        self._ways: list[Callable[[], Tampering | None]] = [
            *[self.change] * 5,
            *[self.delete] * 2,
            *[self.insert] * 2,
            *[self.swap] * 2,
            self.cut_the_end,
        ]

    @contextmanager
    def applied(self) -> Iterator[Tampering]:
        """Apply one random tampering that changes something, and take it back afterwards."""
        for _ in range(_TRIES):
            savepoint = self.connection.begin_nested()
            try:
                done = self._try()
                if done is not None:
                    yield done
                    return
            finally:
                if savepoint.is_active:
                    savepoint.rollback()
        raise AssertionError("nothing could be changed")

    def wrong(self) -> list[Wrong]:
        """Return what verify says now."""
        session = Session(self.connection, join_transaction_mode="create_savepoint")
        try:
            return verify(session, self.ledger)
        finally:
            session.close()

    def _try(self) -> Tampering | None:
        before = self._contents()
        self._without_triggers()
        savepoint = self.connection.begin_nested()
        try:
            done = self.random.choice(self._ways)()
            savepoint.commit()
        except DBAPIError:  # the database itself cannot hold it, such as an id twice
            savepoint.rollback()
            return None
        self._with_triggers()
        return None if done is None or self._contents() == before else done

    def change(self) -> Tampering | None:
        """Put another value into one column of one row."""
        table = self.random.choice(EVERY)
        row = self._row(table)
        if row is None:
            return None
        column = self.random.choice(sorted(row))
        key = _key(table)
        value = self._other(row[column])
        assignment = ":value"
        if isinstance(value, _Raw):
            assignment, value = value.sql, value.value
        self._run(
            f'UPDATE "{table}" SET "{column}" = {assignment} WHERE "{key}" = :key',
            value=value,
            key=row[key],
        )
        names = {_name(table, row[key])}
        if column == key and table in TABLES:
            names |= {_name(table, value)}
        return Tampering(f"{table}.{column} of {row[key]!r}", frozenset(names))

    def delete(self) -> Tampering | None:
        """Delete one row."""
        table = self.random.choice(EVERY)
        row = self._row(table)
        if row is None:
            return None
        key = _key(table)
        self._run(f'DELETE FROM "{table}" WHERE "{key}" = :key', key=row[key])
        return Tampering(f"{table} {row[key]!r} deleted", frozenset({_name(table, row[key])}))

    def insert(self) -> Tampering | None:
        """Add a copy of a row under a new number, other where it may not be the same."""
        table = self.random.choice([*TABLES, "event"])
        row = self._row(table)
        if row is None:
            return None
        key = _key(table)
        row[key] = 1 + max(each[key] for each in self._rows(table))
        for column, value in row.items():
            if column in _UNIQUE.get(table, ()):
                row[column] = f"{value}x"[-20:] if isinstance(value, str) else row[key] + 1000
        listed = ", ".join(f'"{column}"' for column in row)
        marks = ", ".join(f":{column}" for column in row)
        self._run(f'INSERT INTO "{table}" ({listed}) VALUES ({marks})', **row)
        return Tampering(f"{table} {row[key]!r} inserted", frozenset({_name(table, row[key])}))

    def swap(self) -> Tampering | None:
        """Exchange the values of two rows, or those of one column."""
        table = self.random.choice([*TABLES, "event"])
        rows = self._rows(table)
        if len(rows) < 2:
            return None
        one, other = self.random.sample(rows, 2)
        key = _key(table)
        columns = [column for column in one if column != key and one[column] != other[column]]
        if not columns:
            return None
        if self.random.random() < 0.5:
            columns = [self.random.choice(columns)]
        # By way of a third value, because a column may have to be different in every row.
        for target, source in ((one, None), (other, one), (one, other)):
            for column in columns:
                value = _UNLIKELY.get(type(one[column]), one[column])
                value = value if source is None else source[column]
                self._run(
                    f'UPDATE "{table}" SET "{column}" = :value WHERE "{key}" = :key',
                    value=value,
                    key=target[key],
                )
        names = frozenset(_name(table, row[key]) for row in (one, other))
        return Tampering(f"{table} {one[key]!r} and {other[key]!r}: {columns}", names)

    def cut_the_end(self) -> Tampering | None:
        """Delete the last events and make the head fit as far as that goes without the key."""
        events = self._rows("event")
        cut = self.random.randint(1, 3)
        self._run("DELETE FROM event WHERE sequence > :last", last=len(events) - cut)
        last = events[-cut - 1]
        way = self.random.randint(0, 2)
        if way:
            self._run(
                "UPDATE trail_head SET length = :length, head = :head",
                length=last["sequence"],
                head=last["digest"],
            )
            names = {"trail head"}
        else:
            first = last["sequence"] + 1
            names = {f"event {first}" if cut == 1 else f"events {first} to {len(events)}"}
        if way == 2:
            self._run("UPDATE trail_head SET seal = :seal", seal=last["digest"])
        return Tampering(f"the last {cut} events gone, way {way}", frozenset(names))

    def _other(self, value: object) -> object:
        """Return another value, of the same kind as often as not."""
        choices: list[object] = [None, "", 0, 1, -1, 7]
        if isinstance(value, bool):
            choices = [not value, None]
        elif isinstance(value, int):
            choices += [value + 1, value - 1, -value, value + 10**6]
        elif isinstance(value, str):
            choices += [f"{value}x", f"{value} ", value.swapcase(), value[::-1], value[:-1], "[[1"]
            if self.is_sqlite:
                choices += [
                    value.encode(),
                    _Raw("CAST(:value AS TEXT)", b"\xff" + value.encode()),
                    _Raw(":value || char(0)", value),
                    12.5,
                ]
        elif value is not None:  # PostgreSQL's days and instants
            choices = [_Raw(":value + interval '1 day'", value), _Raw("now()", value), None]
        return self.random.choice(choices)

    def _row(self, table: str) -> dict[str, Any] | None:
        rows = self._rows(table)
        return self.random.choice(rows) if rows else None

    def _rows(self, table: str) -> list[dict[str, Any]]:
        found = self.connection.execute(text(f'SELECT * FROM "{table}" ORDER BY "{_key(table)}"'))
        return [dict(row._mapping) for row in found]

    def _contents(self) -> object:
        """Return every stored byte of every table, for telling whether anything has changed."""
        held = []
        for table in EVERY:
            columns = [row[0] for row in self.connection.execute(text(_COLUMNS[self.is_sqlite]),
                                                                 {"table": table})]  # fmt: skip
            written = "typeof({0}) || hex({0})" if self.is_sqlite else "to_json({0})"
            listed = ", ".join(written.format(f'"{column}"') for column in columns)
            found = self.connection.execute(text(f'SELECT {listed} FROM "{table}"'))
            held.append((table, sorted(map(str, found))))
        return held

    def _run(self, statement: str, **values: object) -> None:
        self.connection.execute(text(statement), values)

    def _trigger_statements(self) -> list[str]:
        if not self.is_sqlite:
            return []
        found = self.connection.execute(text("SELECT sql FROM sqlite_master WHERE type='trigger'"))
        return list(found.scalars())

    def _without_triggers(self) -> None:
        if self.is_sqlite:
            for statement in self._triggers:
                self._run(f"DROP TRIGGER {statement.split()[2]}")
        else:
            self._run("SET LOCAL session_replication_role = replica")

    def _with_triggers(self) -> None:
        if self.is_sqlite:
            for statement in self._triggers:
                self.connection.exec_driver_sql(statement)
        else:
            self._run("SET LOCAL session_replication_role = origin")


@dataclass(frozen=True)
class _Raw:
    """A value that goes through an expression."""

    sql: str
    value: object


@contextmanager
def a_tamperer(ledger: Ledger, random: Random) -> Iterator[Tamperer]:
    """Give a tamperer in a transaction that is rolled back, with no constraint in its way."""
    engine = ledger.engine
    with engine.connect() as connection:
        if connection.dialect.name == "sqlite":
            raw: Any = connection.connection.driver_connection
            raw.execute("PRAGMA foreign_keys = OFF")
            raw.execute("PRAGMA ignore_check_constraints = ON")
        with connection.begin() as transaction:
            if connection.dialect.name == "postgresql":
                found = connection.execute(text(_CHECKS)).all()
                for table, name in found:
                    connection.execute(text(f'ALTER TABLE "{table}" DROP CONSTRAINT "{name}"'))
            yield Tamperer(ledger, connection, random)
            transaction.rollback()
        connection.invalidate()


_CHECKS = (
    "SELECT relname, conname FROM pg_constraint JOIN pg_class ON pg_class.oid = conrelid "
    "WHERE contype = 'c' AND connamespace = 'public'::regnamespace"
)
_COLUMNS = {
    True: "SELECT name FROM pragma_table_info(:table)",
    False: "SELECT column_name FROM information_schema.columns WHERE table_schema = 'public' "
    "AND table_name = :table",
}
_UNIQUE = {
    "person_alias": ("folded",),
    "account": ("name",),
    "account_role": ("account_id",),
    "patient": ("pseudonym", "reference_hash"),
    "operation": ("reference",),
    "case_assistant": ("person_id",),
    "screw": ("level",),
    "image": ("digest",),
    "scan": ("case_id", "series_hash"),
    "draw": ("period",),
    "assignment": ("screw_id",),
    "reading": ("screw_id",),
    "consensus": ("screw_id",),
}
_UNLIKELY: dict[type, object] = {str: "?", int: -77}


def _key(table: str) -> str:
    return "sequence" if table == "event" else "id"


def _name(table: str, key: object) -> str:
    if table == "trail_head":
        return "trail head"
    return f"event {key}" if table == "event" else f"{table}:{key}"
