"""`verify` looks at the schema too: rows may be whole and yet be read through something crooked."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from datetime import timedelta

import pytest
from sqlalchemy import text

from registry.actions.accounts import acting, invite
from registry.actions.check_ledger import check_ledger
from registry.actions.initialise import initialise
from registry.domain.access import Role
from registry.store.home import open_ledger
from tests.build.loaded import NOW, fill

SLY = {
    "sqlite": "CREATE TRIGGER sly AFTER INSERT ON reading BEGIN SELECT 1; END",
    "postgresql": (
        "CREATE TRIGGER sly BEFORE DELETE ON reading "
        "FOR EACH STATEMENT EXECUTE FUNCTION refuse_trail_change()"
    ),
}


def wrong(ledger):
    return [item.line() for item in check_ledger(ledger, acting(ledger, None))]


def test_a_view_and_a_trigger_that_are_none_of_the_ledgers_are_named(ledger):
    with ledger.engine.begin() as connection:
        connection.execute(text("CREATE VIEW aside AS SELECT 1 AS one"))
        connection.execute(text(SLY[connection.dialect.name]))
    told = wrong(ledger)
    assert any("view 'aside'" in line for line in told)
    assert any("trigger 'sly'" in line for line in told)


@pytest.fixture
def on_sqlite(tmp_path):
    home = tmp_path / "home"
    made = initialise(home, {}, NOW)
    fill(made, tmp_path)
    made.close()
    return home


def test_an_index_that_says_other_than_the_rows_is_named(on_sqlite):
    with closing(sqlite3.connect(on_sqlite / "ledger.sqlite", isolation_level=None)) as behind:
        behind.execute("CREATE INDEX crooked ON consensus (screw_id, medial_mm * 0)")
        behind.execute("PRAGMA writable_schema = ON")
        behind.execute(
            "UPDATE sqlite_master SET sql = 'CREATE INDEX crooked ON consensus "
            "(screw_id, medial_mm)' WHERE name = 'crooked'"
        )
    ledger = open_ledger(on_sqlite, {})
    told = wrong(ledger)
    ledger.close()
    assert any(line.startswith("database file") and "crooked" in line for line in told)


def test_an_event_spliced_in_from_another_history_of_the_same_ledger_is_named(on_sqlite, tmp_path):
    other = tmp_path / "other"
    shutil.copytree(on_sqlite, other)
    for home, name in ((on_sqlite, "one"), (other, "two")):
        ledger = open_ledger(home, {})
        for number in range(2):
            now = NOW + timedelta(hours=number)
            invite(
                ledger,
                acting(ledger, None),
                f"{name} {number}",
                [Role.STEWARD],
                person=None,
                now=now,
            )
        ledger.close()
    with closing(sqlite3.connect(other / "ledger.sqlite")) as source:
        first, *_, last = source.execute(
            "SELECT * FROM event WHERE verb = 'give a role' ORDER BY sequence DESC LIMIT 2"
        )
    with closing(sqlite3.connect(on_sqlite / "ledger.sqlite", isolation_level=None)) as behind:
        written = behind.execute("SELECT sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name in ("event_no_delete", "event_no_replace"):
            behind.execute(f"DROP TRIGGER {name}")
        behind.execute("DELETE FROM event WHERE sequence = ?", (last[0],))
        marks = ", ".join("?" * len(last))
        behind.execute(f"INSERT INTO event VALUES ({marks})", last)  # noqa: S608 - marks alone
        for (statement,) in written:
            if "event_no_delete" in statement or "event_no_replace" in statement:
                behind.execute(statement)
    ledger = open_ledger(on_sqlite, {})
    told = wrong(ledger)
    ledger.close()
    assert first
    assert any(line.startswith(f"event {last[0]}:") and "does not follow" in line for line in told)
