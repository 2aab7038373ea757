"""`verify` names whatever was changed behind the program's back.

What a database's owner can do without the keys is drawn at random from a seed; the seed stands in
the test, more of them in `tests/long`.
"""

from __future__ import annotations

import random

import pytest
from sqlalchemy import func, select, text
from sqlalchemy import table as sql_table
from sqlalchemy.exc import DBAPIError

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from tests.build.loaded import fill, fill_drawn
from tests.build.tampering import EVERY, a_tamperer


@pytest.fixture
def filled(ledger, tmp_path):
    return fill_drawn(fill(ledger, tmp_path))


def wrong(ledger):
    return [item.line() for item in check_ledger(ledger, acting(ledger, None))]


def behind(ledger, *statements):
    """Change the database with every trigger in place and constraints on."""
    with ledger.engine.connect() as connection, connection.begin():
        for statement in statements:
            connection.execute(text(statement))


def test_a_ledger_that_nobody_touched_is_as_its_trail_says(filled):
    assert wrong(filled) == []


def test_every_tracked_table_has_a_row_to_tamper_with(filled):
    with filled.engine.connect() as connection:
        for table in EVERY:
            assert connection.execute(select(func.count()).select_from(sql_table(table))).scalar()


@pytest.mark.parametrize("seed", range(4))
def test_whatever_is_tampered_with_is_named(filled, seed):
    drawn = random.Random(seed)  # noqa: S311 - a test's own draw
    with a_tamperer(filled, drawn) as tamperer:
        assert tamperer.wrong() == []
        for _ in range(40):
            with tamperer.applied() as done:
                said = {item.record for item in tamperer.wrong()}
                assert done.names <= said, done
        assert tamperer.wrong() == []
    assert wrong(filled) == []


REFUSED = {
    "an event changed": "UPDATE event SET actor = 'nobody' WHERE sequence = 2",
    "an event deleted": "DELETE FROM event WHERE sequence = 2",
    "every event deleted": "DELETE FROM event",
    "the head deleted": "DELETE FROM trail_head",
    "an event again": "INSERT INTO event SELECT * FROM event WHERE sequence = 2",
}
REFUSED_BY = {
    "sqlite": {
        "an event replaced": "INSERT OR REPLACE INTO event SELECT * FROM event WHERE sequence = 2",
        "an event put in its own place": (
            "INSERT INTO event SELECT * FROM event WHERE sequence = 2 "
            "ON CONFLICT (sequence) DO UPDATE SET actor = 'nobody'"
        ),
        "an update or replace": "UPDATE OR REPLACE event SET sequence = 1 WHERE sequence = 2",
    },
    "postgresql": {
        "the trail emptied": "TRUNCATE event",
        "the head emptied": "TRUNCATE trail_head",
        "an event put in its own place": (
            "INSERT INTO event SELECT * FROM event WHERE sequence = 2 "
            "ON CONFLICT (sequence) DO UPDATE SET actor = 'nobody'"
        ),
    },
}


def test_the_database_itself_refuses_to_change_the_trail(filled, place):
    for name, statement in (REFUSED | REFUSED_BY[place.kind]).items():
        with pytest.raises(DBAPIError) as refused:
            behind(filled, statement)
        said = str(refused.value.orig)
        assert "append-only" in said or (name == "an event again" and "event" in said), name
    assert wrong(filled) == []


_HOLLOW = (
    "CREATE OR REPLACE FUNCTION refuse_trail_change() RETURNS trigger LANGUAGE plpgsql "
    "AS $$ BEGIN RETURN NULL; END $$"
)


@pytest.mark.parametrize("name", ["event_no_update", "event_no_delete", "trail_head_no_delete"])
def test_a_trigger_that_is_gone_or_hollow_is_named(filled, place, name):
    if place.kind == "postgresql" and name == "event_no_update":
        name = "event_no_change"
    gone = {
        "sqlite": [f"DROP TRIGGER {name}"],
        "postgresql": ["ALTER TABLE event DISABLE TRIGGER event_no_change"],
    }
    hollow = {
        "sqlite": [
            f"DROP TRIGGER {name}",
            f"CREATE TRIGGER {name} BEFORE UPDATE ON event WHEN 0 BEGIN SELECT 1; END",
        ],
        "postgresql": [_HOLLOW],
    }
    if place.kind == "postgresql":
        name = "event_no_change"
    behind(filled, *hollow[place.kind])
    assert f"trail: the trigger {name} that keeps it append-only is another" in wrong(filled)
    behind(filled, *gone[place.kind])
    assert f"trail: the trigger {name} that keeps it append-only is gone" in wrong(filled)


@pytest.mark.postgres
def test_a_trigger_that_fires_only_for_replicas_counts_as_gone(filled, place):
    if place.kind == "sqlite":
        statements = ["DROP TRIGGER event_no_replace"]
    else:
        statements = ["ALTER TABLE event ENABLE REPLICA TRIGGER event_no_change"]
    behind(filled, *statements)
    assert len(wrong(filled)) == 1


def test_an_event_with_a_huge_number_does_not_keep_verify_busy(filled):
    behind(
        filled,
        "INSERT INTO event SELECT 2000000000, at, actor, verb, record, before, after, reason, "
        "previous, digest FROM event WHERE sequence = 2",
    )
    said = wrong(filled)
    assert len(said) < 6
    assert any("to 1999999999: missing from the trail" in line for line in said)
    assert any(line.startswith("event 2000000000: not as it was written") for line in said)


def test_a_head_that_was_tampered_with_stops_all_writing(filled, place):
    behind(filled, "UPDATE trail_head SET length = length + 1")
    before = wrong(filled)
    assert before == ["trail head: not as it was written"]
    answer = place.command("account", "add", "new", "--role", "steward")
    assert (answer.status, answer.out) == (1, "")
    assert answer.err.startswith("the trail's head does not carry this ledger's seal")
    assert wrong(filled) == before


def test_the_command_names_what_is_wrong_and_never_a_value(filled, place):
    assert place.command("verify").status == 0
    behind(filled, "UPDATE screw SET diameter_mm = 71 WHERE id = 3")
    answer = place.command("verify")
    assert (answer.status, answer.out) == (1, "")
    assert answer.err.splitlines() == [
        "screw:3: differs from its last event in diameter_mm",
        "1 things are not as the trail says",
    ]


def test_a_consensus_that_its_readings_do_not_come_to_is_named(filled):
    behind(filled, "UPDATE consensus SET medial_mm = 1 WHERE id = 1")
    assert wrong(filled) == [
        "consensus:1: differs from its last event in medial_mm",
        "consensus:1: is not what its readings come to",
    ]


@pytest.mark.parametrize("kind", ["*.voxels", "*.png"])
def test_an_image_or_picture_that_is_missing_or_changed_is_named(filled, kind):
    path, *_ = sorted((filled.home / "images").glob(kind))
    whole = path.read_bytes()
    path.chmod(0o600)
    path.write_bytes(whole[:-1] + bytes([whole[-1] ^ 1]))
    assert len(wrong(filled)) == 1
    path.unlink()
    (line,) = wrong(filled)
    assert line.endswith("is not in the image folder")


def test_another_ledger_s_key_fits_nothing(filled):
    (filled.home / "keys" / "trail.key").chmod(0o600)
    (filled.home / "keys" / "trail.key").write_bytes(bytes(32))
    said = wrong(filled)
    assert "event 1: not as it was written" in said
    assert "trail head: not as it was written" in said
