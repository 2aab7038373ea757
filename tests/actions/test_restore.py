"""Restoring: whole or not at all, into an empty place alone, from a whole file alone."""

from __future__ import annotations

import contextlib
import shutil
import subprocess

import pytest

from registry.store import schema
from registry.store.keys import Keys
from tests.build.backups import a_backup, assert_ok, changed_bytes, files_in, kill_restores, program
from tests.build.places import Place

FLIPS = 12
KILLS = 1


@pytest.fixture(scope="module")
def made(tmp_path_factory, templates):
    """Give the folder of a backup and its keys."""
    return a_backup(tmp_path_factory.mktemp("made"), templates)


def restore(place, made, *, file="it.backup", keys="keys"):
    return place.command("restore", made / file, "--keys", made / keys)


def refused(place, made, words, *, status=2, **how):
    """Hold that a restore is refused in one line and leaves no trace."""
    before = place.home.exists()
    answer = restore(place, made, **how)
    assert (answer.status, answer.out) == (status, ""), answer
    (line,) = answer.err.splitlines()
    assert words in line, line
    assert place.home.exists() is before


def test_a_seeded_share_of_changed_bytes_is_told_in_one_line(made, tmp_path):
    place = Place(tmp_path / "new")
    for file in changed_bytes(made / "it.backup", tmp_path, FLIPS, seed=5):
        refused(place, made, "not whole: it was cut short or changed", file=file)


def test_a_file_that_was_cut_short_is_told_and_so_is_one_that_is_no_backup(made, tmp_path):
    content = (made / "it.backup").read_bytes()
    place = Place(tmp_path / "new")
    for length in (300, len(content) // 2, len(content) - 1):
        (tmp_path / "cut").write_bytes(content[:length])
        refused(place, made, "not whole", file=tmp_path / "cut")
    (tmp_path / "cut").write_bytes(content[:50])
    refused(place, made, "not a backup of a ledger", file=tmp_path / "cut")
    refused(place, made, "cannot be read (No such file", file=tmp_path / "none")
    refused(place, made, "cannot be read (Is a directory)", file=tmp_path)


def test_other_keys_and_none_are_told(made, tmp_path):
    place = Place(tmp_path / "new")
    refused(place, made, "there is no backup.key in", keys=tmp_path / "none")
    Keys.create(tmp_path / "foreign")
    refused(place, made, "made under another key", keys=tmp_path / "foreign")
    shutil.copytree(made / "keys", tmp_path / "half")
    (tmp_path / "half" / "trail.key").unlink()
    refused(place, made, "trail.key is missing", keys=tmp_path / "half")
    answer = place.command("restore", made / "it.backup")
    assert (answer.status, "with --keys" in answer.err) == (2, True)


def test_nothing_is_ever_written_over(made, place, tmp_path):
    before = files_in(place.home)
    answer = restore(place, made)
    assert (answer.status, answer.out) == (2, "")
    assert "is not empty" in answer.err
    assert files_in(place.home) == before
    full = Place(tmp_path / "full")
    full.home.mkdir()
    (full.home / "letter.txt").write_text("mine", encoding="utf-8")
    refused(full, made, "is not empty (letter.txt)")
    assert files_in(full.home) == {"letter.txt": b"mine"}
    if place.kind == "postgresql":
        there = Place(tmp_path / "new", place.environment)
        refused(there, made, "is not empty")
        assert_ok(place.command("verify"))


def test_the_keys_may_stand_in_the_home_already(made, tmp_path):
    place = Place(tmp_path / "new")
    place.home.mkdir()
    shutil.copytree(made / "keys", place.home / "keys")
    # Looking too early leaves an empty database behind, which stands in no way.
    assert "there is no ledger here yet" in place.command("verify").err
    assert_ok(place.command("restore", made / "it.backup"))
    assert_ok(place.command("verify"))
    other = Place(tmp_path / "other")
    other.home.mkdir()
    Keys.create(other.home / "keys")
    refused(other, made, "holds other keys than")
    assert (other.home / "keys" / "trail.key").exists()


def test_keys_that_are_older_than_the_backup_are_told(made, tmp_path):
    shutil.copytree(made / "keys", tmp_path / "older")
    with contextlib.closing(Keys(tmp_path / "older")._patients()) as database, database:
        database.execute("DELETE FROM patient_key WHERE pseudonym = (SELECT max(pseudonym) "
                         "FROM patient_key)")  # fmt: skip
    answer = restore(Place(tmp_path / "new"), made, keys=tmp_path / "older")
    assert answer.status == 0
    assert answer.err.startswith("the keys of 1 patients are not among the keys")


def test_a_backup_of_a_newer_program_is_told(made, tmp_path, monkeypatch):
    shutil.copytree(schema.migrations_folder(), tmp_path / "older")
    newest = schema.newest()
    for step in (tmp_path / "older" / "versions").glob(f"{newest}_*.py"):
        step.unlink()
    monkeypatch.setattr(schema, "migrations_folder", lambda: tmp_path / "older")
    refused(
        Place(tmp_path / "new"),
        made,
        f"holds a ledger at schema {newest}, newer than this program",
        status=1,
    )


# Where a step of a restore begins; the process ends there as if it had been killed.
_DIE = "import os; import registry.actions.restore as r\n"
STEPS = {
    "sqlite": {
        "before the event": _DIE + "r.note = lambda *_: os._exit(9)",
        "between files": _DIE + "r.sync_folder = lambda *_: os._exit(9)",
    },
    "postgresql": {"before the end": _DIE + "r.finish = lambda *_: os._exit(9)"},
}


def test_a_restore_that_ends_at_any_step_opens_for_nobody_and_can_be_run_again(made, empty_place):
    for step, before in STEPS[empty_place.kind].items():
        with program(
            empty_place, "restore", made / "it.backup", "--keys", made / "keys", before=before
        ) as dying:
            said = dying.communicate()
        assert dying.returncode == 9, (step, said)
        answer = empty_place.command("verify")
        assert (answer.status, answer.out) == (1, ""), step
        assert len(answer.err.splitlines()) == 1
    assert_ok(restore(empty_place, made))
    assert_ok(empty_place.command("verify"))
    assert not (empty_place.home / "restoring.part").exists()
    answer = restore(empty_place, made)
    assert (answer.status, "is not empty" in answer.err) == (2, True)


def test_a_killed_restore_leaves_all_or_nothing(made, empty_place):
    kill_restores(made, empty_place, KILLS, seed=3)


SMALL_DISK = (
    "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
    "resource.setrlimit(resource.RLIMIT_FSIZE, (34_000, 34_000))"
)


def test_a_full_disk_is_told_in_words_and_leaves_nothing(made, tmp_path):
    place = Place(tmp_path / "new")
    with program(
        place, "restore", made / "it.backup", "--keys", made / "keys", before=SMALL_DISK
    ) as running:
        out, err = running.communicate()
    assert (running.returncode, out) == (1, "")
    (line,) = err.splitlines()
    assert "cannot be written" in line or "the database did not answer" in line
    assert not place.home.exists()
    assert_ok(restore(place, made))


def test_two_restores_into_one_home_are_kept_apart(made, tmp_path):
    place = Place(tmp_path / "new")
    waiting = (
        "import registry.actions.restore as r; real = r.put_together\n"
        "def slow(*given):\n    print('inside', flush=True); input(); return real(*given)\n"
        "r.put_together = slow"
    )
    asked = ("restore", made / "it.backup", "--keys", made / "keys")
    running = program(place, *asked, before=waiting + "\nimport sys", stdin=subprocess.PIPE)
    with running:
        assert running.stdout.readline() == "inside\n"
        answer = restore(place, made)
        assert (answer.status, answer.out) == (2, "")
        assert "somebody is at work in" in answer.err
        out, err = running.communicate("\n")
    assert (running.returncode, err) == (0, "")
    assert out.endswith("the ledger is as its trail says\n")
    assert_ok(place.command("verify"))
