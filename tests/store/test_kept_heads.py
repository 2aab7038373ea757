"""Heads kept beside the keys tell a ledger that was put back to an earlier state."""

from __future__ import annotations

import contextlib
import json
import shutil

import pytest

from registry.actions.accounts import acting
from registry.actions.backup import back_up
from registry.actions.check_ledger import check_ledger
from registry.store.kept_heads import KeptHead, keep_head, last_head
from registry.store.models.people import Person
from tests.build.loaded import NOW
from tests.build.places import Place

AT = "2026-03-31T12:00:00.000000Z"


@pytest.fixture
def home(templates, tmp_path):
    """Give the home of a SQLite ledger: it is put back by copying a file."""
    with templates.copied("sqlite", tmp_path / "home") as place:
        yield place.home


def opened(home):
    return contextlib.closing(Place(home).open())


def wrong(home):
    with opened(home) as ledger:
        return [found.line() for found in check_ledger(ledger, acting(ledger, None))]


def add(ledger, *names):
    for name in names:
        with ledger.writing("x", NOW) as work:
            work.insert(Person, "add", name=name)


def backed_up(home, tmp_path, name="one"):
    with opened(home) as ledger:
        done = back_up(ledger, acting(ledger, None), tmp_path / f"{name}.backup", NOW)
        assert done.unnoted is None
        return done.written.manifest


def test_a_ledger_put_back_to_before_its_last_backup_is_told(home, tmp_path):
    shutil.copy(home / "ledger.sqlite", tmp_path / "earlier")
    with opened(home) as ledger:
        add(ledger, "Anna Berg", "Bodo Carl")
    length = backed_up(home, tmp_path).length
    assert wrong(home) == []
    shutil.copy(tmp_path / "earlier", home / "ledger.sqlite")
    assert wrong(home) == [f"trail: shorter than at the backup of {AT} ({length} events)"]
    with opened(home) as ledger:
        add(ledger, *"abcdef")
    assert wrong(home) == [f"trail: another than at the backup of {AT}"]


def test_a_ledger_without_kept_heads_is_as_good_as_its_trail(home, tmp_path):
    assert not (home / "keys" / "heads").exists()
    assert wrong(home) == []
    backed_up(home, tmp_path)
    (home / "keys" / "heads").unlink()
    assert wrong(home) == []


def test_only_the_last_kept_head_counts(home, tmp_path):
    backed_up(home, tmp_path)
    with opened(home) as ledger:
        add(ledger, "Anna Berg")
    backed_up(home, tmp_path, "two")
    kept = [json.loads(line) for line in (home / "keys" / "heads").read_text().splitlines()]
    assert [line["what"] for line in kept] == ["backup", "backup"]
    assert kept[0]["length"] + 2 == kept[1]["length"]  # the first backup's own event, and a person
    assert wrong(home) == []


@pytest.mark.parametrize("change", [("length", 1), ("head", "0" * 64), ("what", "restore")])
def test_a_forged_line_is_named_and_does_not_count(home, tmp_path, change):
    backed_up(home, tmp_path)
    heads = home / "keys" / "heads"
    line = json.loads(heads.read_text())
    forged = json.dumps({**line, change[0]: change[1]}, sort_keys=True)
    heads.write_text(f"{json.dumps(line)}\n{forged}\n{{}}\n", encoding="utf-8")
    assert wrong(home) == [
        "keys/heads line 2: not as it was written",
        "keys/heads line 3: not as it was written",
    ]


def test_a_line_that_a_crash_cut_off_is_passed_over_and_the_next_stands_alone(home, tmp_path):
    backed_up(home, tmp_path)
    heads = home / "keys" / "heads"
    assert heads.stat().st_mode & 0o777 == 0o600
    with heads.open("a") as file:
        file.write('{"at": "2026-0')
    assert wrong(home) == []
    backed_up(home, tmp_path, "two")
    assert wrong(home) == []
    assert len(heads.read_text().splitlines()) == 3


def test_the_last_backup_is_told_from_what_was_kept_after_it_and_from_lines_that_were_changed(home):
    with opened(home) as ledger:
        folder, key = ledger.keys.folder, ledger.keys.trail
    assert last_head(folder, key, "backup") is None
    kept = [KeptHead(AT, what, length, "0" * 64) for length, what in ((1, "backup"), (2, "backup"))]
    for head in (*kept, KeptHead(AT, "move", 3, "0" * 64)):
        keep_head(folder, key, head)
    assert last_head(folder, key, "backup") == kept[1]
    path = folder / "heads"
    path.write_bytes(path.read_bytes().replace(b'"length": 2', b'"length": 9'))
    assert last_head(folder, key, "backup") == kept[0]
