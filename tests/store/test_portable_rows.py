"""Rows as lines: alike on both databases, and odd ones back as they were."""

from __future__ import annotations

import contextlib
import json

import pytest
from sqlalchemy import create_engine, text

from registry.domain.problems import BadInputError, ConflictError
from registry.store import migrating, schema
from registry.store.filling import clear, filling, finish, require_empty
from registry.store.portable_rows import Kind, digest_of, lines, shapes_at
from registry.store.session import make_engine
from tests.build.loaded import fill

SHAPES = {shape.table: shape for shape in shapes_at(schema.newest())}


def written(engine):
    with engine.connect() as connection:
        return {name: list(lines(connection, shape)) for name, shape in SHAPES.items()}


def test_shapes_are_the_tables_of_a_revision_with_what_each_column_holds():
    scan = dict(SHAPES["scan"].columns)
    assert scan["id"] is Kind.NUMBER
    assert scan["scanned_on"] is Kind.DAY
    assert scan["is_adequate"] is Kind.FLAG
    assert scan["kind"] is Kind.TEXT
    assert dict(SHAPES["image"].columns)["added_at"] is Kind.INSTANT
    assert "removed_at" in dict(SHAPES["image"].columns)
    first = {shape.table: shape for shape in shapes_at("0001")}
    assert "removed_at" not in dict(first["image"].columns)
    assert "outcome" not in first
    assert "alembic_version" not in SHAPES


@pytest.mark.postgres
def test_the_lines_of_a_ledger_are_the_same_on_every_database(ledger, tmp_path, templates):
    fill(ledger, tmp_path)
    here = written(ledger.engine)
    assert sum(map(len, here.values())) > 100
    assert json.loads(here["person"][0])[0] == 1
    for kind in ("sqlite", "postgresql") if "postgres" in ledger.url else ("sqlite",):
        with templates.empty(kind, tmp_path / kind) as there:
            there.home.mkdir()
            engine = make_engine(there.url)
            with filling(engine, schema.newest()) as filled:
                for name in reversed(SHAPES):  # whatever refers to what
                    filled.table(name, here[name])
            assert written(engine) == here
            assert filled.digests == {name: digest_of(rows)[0] for name, rows in here.items()}
            assert schema.current(engine) == schema.UNFINISHED
            with pytest.raises(Exception, match="that was cut off; run the same"):
                schema.require_current(engine)
            finish(engine)
            schema.require_current(engine)
            with pytest.raises(ConflictError, match="is not empty"):
                require_empty(engine)
            clear(engine)
            assert written(engine) == here, "a finished ledger is never cleared away"
            engine.dispose()


def test_an_unfinished_database_is_cleared_away_and_filled_again(empty_place):
    empty_place.home.mkdir()
    engine = make_engine(empty_place.url)
    for _ in range(2):
        require_empty(engine)
        with filling(engine, schema.newest()) as filled:
            filled.table("person", [b'[1,"Anna Berg",1]\n'])
        assert schema.current(engine) == schema.UNFINISHED
    with pytest.raises(BadInputError, match="another number of columns"), refilling(engine) as one:
        one.table("person", [b'[2,"Bodo Carl",1]\n', b"[3]\n"])
    assert schema.current(engine) is None, "what was begun is rolled back with its tables"
    engine.dispose()


@contextlib.contextmanager
def refilling(engine):
    require_empty(engine)
    with filling(engine, schema.newest()) as filled:
        yield filled


# What SQLite keeps in a column of another type, as SQL; what each is as a line.
ODD = {
    "'text in a number'": {"odd": "text in a number"},
    "1.5": {"odd": 1.5},
    "x'00ff'": {"odd": {"bytes": "00ff"}},
}


def test_what_no_type_can_hold_goes_back_as_it_was(tmp_path):
    engine = make_engine(f"sqlite:///{tmp_path / 'one.sqlite'}")
    migrating.migrate(engine)
    with engine.begin() as connection:
        for number, value in enumerate(ODD):
            connection.execute(
                text(f"INSERT INTO person (id, name, version) VALUES ({number}, 'x', {value})")  # noqa: S608 - own values
            )
        connection.execute(
            text("INSERT INTO person (id, name, version) VALUES (7, CAST(x'61ff62' AS TEXT), 1)")
        )
        connection.execute(text("INSERT INTO person VALUES (8, x'6162', 1)"))
        connection.execute(
            text(
                "INSERT INTO draw VALUES "
                "(1, '2026Q1', 's', 100, '2026-01-02T03:04:05.000000Z', 1), "
                "(2, '2026Q2', 's', 100, '2026-01-02 03:04:05.000000', 1)"
            )
        )
        stored = raw(connection)
    rows = written(engine)
    found = [json.loads(line) for line in rows["person"]]
    version = [name for name, _ in SHAPES["person"].columns].index("version")
    assert [row[version] for row in found[:3]] == list(ODD.values())
    made = [name for name, _ in SHAPES["draw"].columns].index("made_at")
    assert [json.loads(line)[made] for line in rows["draw"]] == [
        {"odd": "2026-01-02T03:04:05.000000Z"},
        "2026-01-02T03:04:05.000000Z",
    ]
    other = make_engine(f"sqlite:///{tmp_path / 'two.sqlite'}")
    with filling(other, schema.newest()) as filled:
        filled.table("person", rows["person"])
        filled.table("draw", rows["draw"])
    assert written(other)["person"] == rows["person"]
    with other.connect() as connection:
        assert raw(connection) == stored
    engine.dispose()
    other.dispose()


def raw(connection):
    asked = "SELECT hex(name), typeof(name), hex(version), typeof(version) FROM person ORDER BY id"
    drawn = "SELECT made_at FROM draw ORDER BY id"
    return [[tuple(row) for row in connection.exec_driver_sql(query)] for query in (asked, drawn)]


@pytest.mark.postgres
@pytest.mark.parametrize("name", [{"odd": {"bytes": "61"}}, "a\0b", "a\udcff"])
def test_postgresql_refuses_what_it_cannot_keep_in_one_line_and_keeps_nothing(empty_place, name):
    line = json.dumps([1, name, 1], separators=(",", ":")).encode() + b"\n"
    engine = create_engine(empty_place.url)
    if engine.dialect.name == "sqlite":
        engine.dispose()
        empty_place.home.mkdir()
        engine = make_engine(empty_place.url)
        with filling(engine, schema.newest()) as filled:
            filled.table("person", [line])
        assert filled.rows == 1
    else:
        with (
            pytest.raises(BadInputError, match="person holds what PostgreSQL cannot keep in the"),
            filling(engine, schema.newest()) as filled,
        ):
            filled.table("person", [line])
        assert schema.current(engine) is None
    engine.dispose()
