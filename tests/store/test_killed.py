"""Killed with -9 while it loads: the ledger opens, verifies, and holds all that was acknowledged.

A few kills here, many in `tests/long`; the moments are drawn from a seed.
"""

from __future__ import annotations

import random

from sqlalchemy import update

from registry.domain.trail import GENESIS, head_seal
from registry.store.keys import Keys
from registry.store.models.trail import TrailHead
from tests.build.killing import kill_while_loading, look_at

KILLS = 3


def test_a_killed_process_leaves_what_it_had_said_and_nothing_by_halves(place, tmp_path):
    drawn = random.Random(7)  # noqa: S311 - a test's own draw
    first = 0
    for _ in range(KILLS):
        said = kill_while_loading(place, tmp_path, first, drawn)
        look_at(place, said, first)
        first = said.last + 1


def test_a_ledger_whose_making_was_cut_off_can_be_made_anew(empty_place):
    # Each thing that `init` does in turn, and then nothing more.
    home = empty_place.home
    assert empty_place.command("verify").status == 1
    home.mkdir()
    (home / "keys").mkdir(mode=0o700)
    assert empty_place.command("verify").err.startswith("there is no ledger here yet")
    assert empty_place.command("init").status == 0
    with empty_place.raw() as connection:
        # Before the shell's account and its event: the tables and the head of an empty trail.
        if empty_place.kind == "sqlite":
            connection.exec_driver_sql("DROP TRIGGER event_no_delete")
        else:
            connection.exec_driver_sql("SET LOCAL session_replication_role = replica")
        connection.exec_driver_sql("DELETE FROM account")
        connection.exec_driver_sql("DELETE FROM unit_settings")
        connection.exec_driver_sql("DELETE FROM event")
        if empty_place.kind == "sqlite":
            connection.exec_driver_sql(
                "CREATE TRIGGER event_no_delete BEFORE DELETE ON event BEGIN SELECT RAISE(ABORT, "
                "'the trail is append-only'); END"
            )
        _empty_head(empty_place, connection)
    assert empty_place.command("init").status == 0
    answer = empty_place.command("verify")
    assert (answer.status, answer.err) == (0, "")
    assert empty_place.command("init").err.endswith("already; nothing was changed\n")


def _empty_head(place, connection):
    seal = head_seal(Keys(place.home / "keys").trail, 0, GENESIS)
    connection.execute(update(TrailHead).values(length=0, head=GENESIS, seal=seal))
