"""A ledger that an older version made: upgraded, verified, and counted as that version counted.

`made_by_0_1_0/` holds what version 0.1.0 left after `tests.build.loaded.fill`: the home of each
kind as a zip, and for PostgreSQL the database by `pg_dump --no-owner --no-acl --inserts`.
"""

from __future__ import annotations

import json
import subprocess
import zipfile
from pathlib import Path

import pytest

from tests.build.places import Place

MADE = Path(__file__).with_name("made_by_0_1_0")
RATES = [("L3", 1, 2), ("S1", 0, 1)]
"""Level, screws of 2 mm or more, graded screws: what 0.1.0 answered to `rates --by level`."""


@pytest.fixture
def old_place(empty_place):
    """Give the place of a ledger that version 0.1.0 made."""
    with zipfile.ZipFile(MADE / f"{empty_place.kind}.zip") as packed:
        packed.extractall(empty_place.home)
    (empty_place.home / "keys").chmod(0o700)
    dump = empty_place.home / "database.sql"
    if dump.exists():
        url = empty_place.url.replace("+psycopg", "")
        subprocess.run(
            ["psql", "-q", "-v", "ON_ERROR_STOP=1", "-f", dump, url],
            check=True,
            stdout=subprocess.DEVNULL,
        )
        dump.unlink()
    return Place(empty_place.home, empty_place.environment)


def test_a_ledger_of_the_first_version_upgrades_and_verifies(old_place):
    answer = old_place.command("rates")
    assert (answer.status, answer.out) == (1, "")
    assert "older than this program" in answer.err
    answer = old_place.command("upgrade")
    assert (answer.status, answer.err) == (0, "")
    answer = old_place.command("verify")
    assert (answer.status, answer.err) == (0, "")
    asked = ("--by", "level", "--minimum", "0", "--format", "json")
    rows = json.loads(old_place.command("rates", *asked).out)["rows"]
    counted = [(row["stratum"]["level"], row["breached"], row["graded"]) for row in rows]
    assert [row for row in counted if row[2]] == RATES


def test_a_change_to_a_column_that_came_later_is_named(old_place):
    assert old_place.command("upgrade").status == 0
    with old_place.raw() as connection:
        connection.exec_driver_sql("UPDATE patient SET withdrawn_at = '2026-01-01 00:00:00.000000'")
    answer = old_place.command("verify")
    assert answer.status == 1
    assert "patient:1: differs from its last event in withdrawn_at" in answer.out + answer.err


def test_the_backup_that_an_upgrade_takes_of_an_older_ledger_restores_and_is_brought_up(
    old_place, tmp_path
):
    said = old_place.command("upgrade").out.splitlines()
    assert said[-1].endswith("backup.key: copy the keys folder again, no backup holds it")
    copy = said[0].removeprefix("the ledger as it was is kept in ")
    new = Place(tmp_path / "new")
    answer = new.command("restore", copy, "--keys", old_place.home / "keys")
    assert (answer.status, answer.err) == (0, "")
    answer = new.command("verify")
    assert (answer.status, answer.err) == (0, "")
