"""Fill an empty database with the rows of a ledger: tables, rows and rights, or nothing at all.

It is done in one transaction, after which the database says that it is unfinished and opens for
nobody; `finish` gives it its revision once everything beside it is in its place.
"""

from __future__ import annotations

import hashlib
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from sqlalchemy import inspect, text

from registry.domain.problems import ConflictError, FailureError, Fault
from registry.store import migrating, schema
from registry.store.portable_rows import Shape, digest_of, lines, shapes_at, write_lines
from registry.store.session import translated

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from sqlalchemy import Connection, Engine

_FOREIGN_KEYS = """
    SELECT conname, conrelid::regclass::text, pg_get_constraintdef(oid) FROM pg_constraint
    WHERE contype = 'f' AND connamespace = current_schema()::regnamespace ORDER BY conname
"""
_SERIALS = """
    SELECT table_name, column_name FROM information_schema.columns
    WHERE table_schema = current_schema()
    AND pg_get_serial_sequence(quote_ident(table_name), column_name) IS NOT NULL
"""


class Filling:
    """Takes one table after the other; each is read back and held against what was given.

    Attributes
    ----------
    digests : of the rows of each table taken
    rows : how many there were
    """

    def __init__(self, connection: Connection, shapes: Iterable[Shape]) -> None:
        self._connection = connection
        self._shapes = {shape.table: shape for shape in shapes}
        self.digests: dict[str, str] = {}
        self.rows = 0

    def table(self, name: str, written: Iterable[bytes]) -> None:
        """Add a table's rows."""
        shape = self._shapes.get(name)
        if shape is None or name in self.digests:
            raise FailureError(f"the schema has no place for a table {name!r}")
        given = hashlib.sha256()
        write_lines(self._connection, shape, _noted(written, given.update))
        found, count = digest_of(lines(self._connection, shape))
        if found != given.hexdigest():
            raise FailureError(f"the rows of {name} are not read back as they were written")
        self.digests[name] = found
        self.rows += count

    def withdrawn_images(self, withdrawn: Iterable[str]) -> frozenset[str]:
        """Return the digests of images that belong to these patients and to nobody else."""
        return self._of_these_alone(
            withdrawn,
            "SELECT image.digest, patient.pseudonym FROM image "
            "JOIN scan ON scan.image_id = image.id JOIN operation ON operation.id = scan.case_id "
            "JOIN patient ON patient.id = operation.patient_id",
        )

    def withdrawn_pictures(self, withdrawn: Iterable[str]) -> frozenset[str]:
        """Return the same of the pictures that readings were made on."""
        if not inspect(self._connection).has_table("evidence"):
            return frozenset()
        return self._of_these_alone(
            withdrawn,
            "SELECT evidence.picture_digest, patient.pseudonym FROM evidence "
            "JOIN screw ON screw.id = evidence.screw_id "
            "JOIN operation ON operation.id = screw.case_id "
            "JOIN patient ON patient.id = operation.patient_id",
        )

    def _of_these_alone(self, withdrawn: Iterable[str], asked: str) -> frozenset[str]:
        gone: set[str] = set()
        kept: set[str] = set()
        names = set(withdrawn)
        for digest, pseudonym in self._connection.execute(text(asked)):
            (gone if pseudonym in names else kept).add(digest)
        return frozenset(gone - kept)

    def vaulted_patients(self) -> frozenset[str]:
        """Return the patients of whom something lies in the vault."""
        asked = text(
            "SELECT DISTINCT patient.pseudonym FROM patient "
            "JOIN vault_entry ON vault_entry.patient_id = patient.id"
        )
        return frozenset(map(str, self._connection.execute(asked).scalars()))


def _noted(written: Iterable[bytes], note: Any) -> Iterator[bytes]:  # noqa: ANN401 - hashlib's own update
    for line in written:
        note(line)
        yield line


@contextmanager
def filling(engine: Engine, revision: str) -> Iterator[Filling]:
    """Give what fills an empty database whose schema is of that revision.

    At the end of the block the schema is brought up to this program; where the block ends with an
    exception nothing is left.
    """
    shapes = shapes_at(revision)
    with translated(), engine.connect() as connection:
        if connection.dialect.name == "sqlite":
            with _unchecked(connection), connection.execution_options(writes=True).begin():
                migrating.step(connection, revision)
                yield Filling(connection, shapes)
                _end(connection)
            return
        with connection.begin():
            migrating.step(connection, revision)
            with _without_foreign_keys(connection):
                yield Filling(connection, shapes)
            _set_sequences(connection)
            _end(connection)


@contextmanager
def _unchecked(connection: Connection) -> Iterator[None]:
    """Take rows on SQLite as they are: what is wrong with them is for `verify` to say."""
    raw: Any = connection.connection.driver_connection
    raw.execute("PRAGMA foreign_keys = OFF")
    raw.execute("PRAGMA ignore_check_constraints = ON")
    try:
        yield
    finally:
        raw.execute("PRAGMA ignore_check_constraints = OFF")
        raw.execute("PRAGMA foreign_keys = ON")


@contextmanager
def _without_foreign_keys(connection: Connection) -> Iterator[None]:
    """Look at references at the end, all at once: rows may refer to each other in a circle."""
    foreign = connection.execute(text(_FOREIGN_KEYS)).all()
    for name, table, _ in foreign:
        connection.execute(text(f'ALTER TABLE {table} DROP CONSTRAINT "{name}"'))
    yield
    for name, table, definition in foreign:
        connection.execute(text(f'ALTER TABLE {table} ADD CONSTRAINT "{name}" {definition}'))


def _set_sequences(connection: Connection) -> None:
    """Let the server's own numbers go on behind the highest that came."""
    for table, column in connection.execute(text(_SERIALS)).all():
        connection.execute(
            text(
                f"SELECT setval(pg_get_serial_sequence('{table}', '{column}'), "  # noqa: S608 - own names only
                f'greatest(1, max("{column}")), max("{column}") IS NOT NULL) FROM "{table}"'
            )
        )


def _end(connection: Connection) -> None:
    migrating.step(connection, "head")
    connection.execute(
        text("UPDATE alembic_version SET version_num = :mark"), {"mark": schema.UNFINISHED}
    )


def finish(engine: Engine) -> None:
    """Let a filled database open as a ledger."""
    with translated(), engine.connect().execution_options(writes=True) as connection:
        with connection.begin():
            connection.execute(
                text("UPDATE alembic_version SET version_num = :revision"),
                {"revision": schema.newest()},
            )
        if connection.dialect.name == "sqlite":
            connection.connection.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)")


def require_empty(engine: Engine) -> None:
    """Raise ConflictError where a database holds anything; what was cut off is cleared away."""
    with translated(), engine.connect() as connection:
        is_unfinished = _is_unfinished(connection)
        there = set(inspect(connection).get_table_names())
    if is_unfinished:
        clear(engine)
    elif there:
        raise ConflictError(
            Fault(
                f"the database {engine.url.database} is not empty ({len(there)} tables)",
                mend="nothing was changed; name an empty one",
            )
        )


def _is_unfinished(connection: Connection) -> bool:
    if not inspect(connection).has_table("alembic_version"):
        return False
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalars().all()
    return found == [schema.UNFINISHED]


def clear(engine: Engine) -> None:
    """Take an unfinished ledger out of a database again; a finished one is left alone."""
    with translated(), engine.connect() as connection:
        is_sqlite = connection.dialect.name == "sqlite"
        if is_sqlite:
            connection.connection.cursor().execute("PRAGMA foreign_keys = OFF")
        with connection.execution_options(writes=True).begin():
            if _is_unfinished(connection):
                cascade = "" if is_sqlite else " CASCADE"
                for table in inspect(connection).get_table_names():
                    connection.execute(text(f'DROP TABLE "{table}"{cascade}'))
                if not is_sqlite:
                    connection.execute(text("DROP FUNCTION IF EXISTS refuse_trail_change()"))
        if is_sqlite:
            connection.connection.cursor().execute("PRAGMA foreign_keys = ON")
