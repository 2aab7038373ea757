"""Backups of a small ledger, restored elsewhere, for tests."""

from __future__ import annotations

import contextlib
import random
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from registry.store import schema
from registry.store.portable_rows import digest_of, lines, shapes_at
from tests.build.loaded import fill

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.build.places import Answer, Place, Templates

ROOT = Path(__file__).parents[2]
_MAIN = "import sys; from registry.cli.main import main; sys.exit(main(sys.argv[1:]))"


def table_digests(place: Place) -> dict[str, str]:
    """Return the digest of each table's rows, alike on both databases."""
    with contextlib.closing(place.open()) as ledger, ledger.engine.connect() as connection:
        return {
            shape.table: digest_of(lines(connection, shape))[0]
            for shape in shapes_at(schema.newest())
        }


def files_in(folder: Path) -> dict[str, bytes]:
    """Return every file in a folder with its bytes."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def assert_ok(answer: Answer) -> Answer:
    """Return an answer that said nothing wrong."""
    assert (answer.status, answer.err) == (0, ""), answer
    return answer


def program(
    place: Place, *arguments: object, before: str = "", stdin: int = subprocess.DEVNULL
) -> subprocess.Popen[str]:
    """Start the program as a shell does, with some Python run before it."""
    return subprocess.Popen(
        [sys.executable, "-c", f"{before}\n{_MAIN}", *map(str, arguments)],
        cwd=ROOT,
        env=place.all_environment(),
        stdin=stdin,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def a_backup(folder: Path, templates: Templates) -> Path:
    """Make a backup of a small ledger on SQLite and a copy of its keys; return their folder."""
    with templates.copied("sqlite", folder / "home") as place:
        with contextlib.closing(place.open()) as ledger:
            fill(ledger, folder)
        assert_ok(place.command("backup", folder / "it.backup", "--copy-keys", folder / "keys"))
    return folder


def changed_bytes(backup: Path, folder: Path, count: int, seed: int) -> Iterator[Path]:
    """Yield copies of a backup in which one bit behind the first line is another."""
    drawn = random.Random(seed)  # noqa: S311 - a test's own draw
    content = backup.read_bytes()
    start = content.index(b"\n") + 1
    for _ in range(count):
        other = bytearray(content)
        other[drawn.randrange(start, len(other))] ^= 1 << drawn.randrange(8)
        (folder / "changed").write_bytes(other)
        yield folder / "changed"


def kill_restores(made: Path, place: Place, kills: int, seed: int) -> int:
    """Kill restores at moments drawn from a seed; return how many had ended."""
    drawn = random.Random(seed)  # noqa: S311 - a test's own draw
    ended = 0
    asked = ("restore", made / "it.backup", "--keys", made / "keys")
    for _ in range(kills):
        with program(place, *asked, before="print('ready', flush=True)") as running:
            assert running.stdout.readline() == "ready\n"
            killer = threading.Timer(drawn.uniform(0, 2.5), running.kill)
            killer.start()
            said = running.communicate()
            killer.join()
        assert running.returncode in (0, -signal.SIGKILL), said
        answer = place.command("verify")
        if running.returncode == 0:
            assert_ok(answer)
        if answer.status == 0:
            ended += 1
            break
        assert len(answer.err.splitlines()) == 1, answer
    else:
        assert_ok(place.command(*asked))
    assert_ok(place.command("verify"))
    return ended
