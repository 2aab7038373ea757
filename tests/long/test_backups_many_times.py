"""Many kills of restores, many changed bytes, and a backup larger than the memory it may take."""

from __future__ import annotations

import contextlib
import subprocess
import sys

import numpy as np
import pytest

from registry.actions.accounts import acting
from registry.store.models.scans import HeldImage
from tests.build.backups import a_backup, assert_ok, changed_bytes, kill_restores
from tests.build.loaded import NOW
from tests.build.places import KINDS, Place

KILLS = 25
FLIPS = 400
IMAGES = 6
SLICES = 400
_MEASURED = (
    "import resource, sys; from registry.cli.main import main; status = main(sys.argv[1:]); "
    "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss); sys.exit(status)"
)


@pytest.mark.parametrize("kind", KINDS)
def test_many_killed_restores_leave_all_or_nothing(tmp_path, templates, kind):
    made, ended = a_backup(tmp_path, templates), 0
    for number in range(KILLS):
        with templates.empty(kind, tmp_path / f"new {number}") as place:
            ended += kill_restores(made, place, 1, seed=number)
    print(f"\n{kind}: {ended} of {KILLS} restores had ended when killed")
    assert ended < KILLS


def test_every_one_of_many_changed_bytes_is_told(tmp_path, templates):
    made = a_backup(tmp_path, templates)
    place = Place(tmp_path / "new")
    for file in changed_bytes(made / "it.backup", tmp_path, FLIPS, seed=23):
        answer = place.command("restore", file, "--keys", made / "keys")
        assert (answer.status, answer.out) == (2, "")
        assert len(answer.err.splitlines()) == 1
        assert not place.home.exists()


def test_a_backup_takes_no_more_memory_than_a_small_one(tmp_path, templates):
    with templates.copied("sqlite", tmp_path / "home") as place:
        small = measured(place, "backup", tmp_path / "small.backup")
        drawn = np.random.default_rng(3)
        with contextlib.closing(place.open()) as ledger:
            for _ in range(IMAGES):
                with ledger.images.writer() as writer:
                    writer.begin((SLICES, 256, 256), "int16")
                    for index in range(SLICES):
                        plane = drawn.integers(-1000, 3000, (256, 256), dtype=np.int16)
                        writer.write(index, plane)
                    digest = writer.seal(np.eye(4), {})
                with ledger.writing(acting(ledger, None), NOW) as work:
                    work.insert(HeldImage, "keep an image", digest=digest, added_at=NOW)
        large = measured(place, "backup", tmp_path / "large.backup")
        size = (tmp_path / "large.backup").stat().st_size
        print(f"\n{size / 1e6:.0f} MB backed up in {large / 1e3:.0f} MB; empty {small / 1e3:.0f}")
        assert size > 300e6
        assert large - small < 60_000
        new = Place(tmp_path / "new")
        keys = ("--keys", place.home / "keys")
        restored = measured(new, "restore", tmp_path / "large.backup", *keys)
        assert restored - small < 60_000
        assert_ok(new.command("verify"))


def measured(place, *words):
    """Run a command; return the most memory it took, in KiB (getrusage, Linux)."""
    done = subprocess.run(
        [sys.executable, "-c", _MEASURED, *map(str, words)],
        env=place.all_environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    return int(done.stdout.splitlines()[-1])
