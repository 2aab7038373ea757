"""Moving a ledger to another database and back: same rows, same trail, nothing by halves."""

from __future__ import annotations

import contextlib

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.exc import DBAPIError

from registry.store.moving import writers_held
from registry.store.queries.people import note_failure
from tests.build.backups import assert_ok, table_digests
from tests.build.loaded import NOW, fill
from tests.build.places import KINDS, Place


@pytest.fixture
def filled(place, tmp_path):
    """Give a place with a small ledger."""
    with contextlib.closing(place.open()) as ledger:
        fill(ledger, tmp_path)
        with ledger.untracked() as session:
            note_failure(session, "anna", None, NOW)
    return place


@pytest.fixture
def elsewhere(place, templates, tmp_path):
    """Give the same home with an empty database of the other kind (of the same without one)."""
    kind = "postgresql" if place.kind == "sqlite" and "postgresql" in KINDS else "sqlite"
    if kind == "sqlite":
        yield Place(
            place.home, {"PEDICLE_LEDGER_DATABASE": f"sqlite:///{tmp_path / 'moved.sqlite'}"}
        )
        return
    with templates.empty(kind, tmp_path / "unused") as found:
        yield Place(place.home, found.environment)


@pytest.mark.postgres
def test_there_and_back_every_digest_is_equal_and_the_ledger_goes_on(
    filled, elsewhere, templates, tmp_path
):
    before = table_digests(filled)
    said = assert_ok(filled.command("move", elsewhere.url)).out
    assert f"rows of {len(before)} tables; every digest is equal" in said
    assert table_digests(filled) == before, "the source is left as it was"
    assert table_digests(elsewhere) == before
    assert_ok(elsewhere.command("verify"))
    with templates.empty(filled.kind, tmp_path / "third") as third:
        url = third.url if third.environment else f"sqlite:///{tmp_path / 'back.sqlite'}"
        assert_ok(elsewhere.command("move", url))
        back = Place(filled.home, {"PEDICLE_LEDGER_DATABASE": url})
        assert table_digests(back) == before
        assert_ok(back.command("verify"))
        for there in (elsewhere, back):
            for statement in ("UPDATE event SET actor = 'x'", "DELETE FROM trail_head"):
                with pytest.raises(DBAPIError, match="append-only"), there.raw() as connection:
                    connection.execute(text(statement))
            with contextlib.closing(there.open()) as ledger, ledger.untracked() as session:
                note_failure(session, "anna", None, NOW)  # the server's own numbers go on
            assert_ok(there.command("account", "add", "new one", "--role", "steward"))
            assert_ok(there.command("verify"))
    if "sqlite" in elsewhere.url:
        assert (tmp_path / "moved.sqlite").stat().st_mode & 0o777 == 0o600


def test_what_cannot_be_moved_to_is_told_in_one_line(filled, tmp_path):
    (tmp_path / "letter").write_text("a letter of theirs", encoding="utf-8")
    refused = {
        filled.url: "is the ledger's own database",
        "sqlite://": "names no file",
        "sqlite:///:memory:": "names no file",
        "mysql://x/y": "not a database the ledger knows",
        f"sqlite:///{tmp_path / 'letter'}": "file is not a database",
        f"sqlite:///{tmp_path / 'no' / 'folder.sqlite'}": "cannot be written",
    }
    for url, words in refused.items():
        answer = filled.command("move", url)
        assert (answer.status, answer.out) != (0, ""), url
        (line,) = answer.err.splitlines()
        assert words in line
    assert (tmp_path / "letter").read_text(encoding="utf-8") == "a letter of theirs"
    assert_ok(filled.command("verify"))


@pytest.mark.postgres
def test_a_database_that_holds_anything_is_left_alone(filled, elsewhere):
    assert_ok(filled.command("move", elsewhere.url))
    assert_ok(elsewhere.command("account", "add", "new one", "--role", "steward"))
    there = table_digests(elsewhere)
    answer = filled.command("move", elsewhere.url)
    assert (answer.status, answer.out) == (2, "")
    assert "is not empty" in answer.err
    assert table_digests(elsewhere) == there


@pytest.mark.postgres
def test_a_ledger_that_is_not_as_its_trail_says_is_not_moved(filled, elsewhere, tmp_path):
    with filled.raw() as connection:
        connection.exec_driver_sql("UPDATE screw SET life = 'removed' WHERE id = 1")
    answer = filled.command("move", elsewhere.url)
    assert (answer.status, answer.out) == (1, "")
    (line,) = answer.err.splitlines()
    assert line.startswith("nothing was moved, for 1 things are not as the trail says, the first: ")
    assert "screw:1: differs from its last event in life" in line
    assert not (tmp_path / "moved.sqlite").exists()
    with filled.raw() as connection:
        connection.exec_driver_sql("UPDATE screw SET life = 'placed' WHERE id = 1")
    assert_ok(filled.command("move", elsewhere.url))


def test_nobody_writes_while_a_ledger_is_copied(filled):
    """A second connection that does not wait is refused inside, and is served afterwards."""
    waits = {"timeout": 0} if filled.kind == "sqlite" else {"options": "-c lock_timeout=50"}
    impatient = create_engine(filled.url, connect_args=waits)
    # What every writer begins with, and what one outside the trail does.
    writes = ("UPDATE trail_head SET seal = seal", "DELETE FROM sign_in_failure WHERE id = 0")
    try:
        with contextlib.closing(filled.open()) as ledger, writers_held(ledger.engine) as held:
            held.execute(text("SELECT length FROM trail_head")).one()
            for statement in writes:
                with pytest.raises(DBAPIError), impatient.begin() as other:
                    other.execute(text(statement))
            with impatient.begin() as other:
                assert other.execute(text("SELECT count(*) FROM screw")).scalar_one() > 0
        for statement in writes:
            with impatient.begin() as other:
                other.execute(text(statement))
    finally:
        impatient.dispose()


@pytest.mark.postgres
def test_on_postgresql_the_server_s_own_role_may_not_change_a_moved_trail(
    place, templates, tmp_path
):
    if place.kind == "sqlite" and "postgresql" not in KINDS:
        assert_ok(place.command("move", f"sqlite:///{tmp_path / 'moved.sqlite'}"))
        return
    with templates.empty("postgresql", tmp_path / "unused") as there:
        role = f"plain_{there.url.rsplit('_', 1)[1]}"
        database = there.url.rsplit("/", 1)[1]
        templates.server.run(f'CREATE ROLE "{role}" LOGIN')
        templates.server.run(f'ALTER DATABASE "{database}" OWNER TO "{role}"')
        url = templates.server.url.set(username=role, database=database)
        plain = Place(
            place.home, {"PEDICLE_LEDGER_DATABASE": url.render_as_string(hide_password=False)}
        )
        try:
            assert_ok(place.command("move", plain.url))
            assert_ok(plain.command("verify"))
            for statement in ("UPDATE event SET actor = 'x'", "TRUNCATE event"):
                with pytest.raises(DBAPIError, match="permission denied"), plain.raw() as link:
                    link.execute(text(statement))
        finally:
            templates.server.run(f'ALTER DATABASE "{database}" OWNER TO CURRENT_USER')
            templates.server.drop(database)
            templates.server.run(f'DROP ROLE "{role}"')
