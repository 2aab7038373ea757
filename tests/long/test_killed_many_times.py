"""Many kills with -9 on each database, at moments drawn from a seed."""

from __future__ import annotations

import random
import subprocess
import sys
import threading

from tests.build.killed_worker import kill_while_working
from tests.build.killing import kill_while_loading, look_at

KILLS = 40
_INIT = "import sys; from registry.cli.main import main; sys.exit(main(['init']))"


def test_forty_kills_lose_nothing_that_was_said(place, tmp_path):
    drawn = random.Random(11)  # noqa: S311 - a test's own draw
    first = said_steps = unsaid = 0
    for _ in range(KILLS):
        said = kill_while_loading(place, tmp_path, first, drawn)
        unsaid += look_at(place, said, first)
        said_steps += len(said.done)
        first = said.last + 1
    print(f"\n{place.kind}: {KILLS} kills, {said_steps} steps said, {unsaid} whole though unsaid")
    assert said_steps > KILLS


def test_forty_kills_of_the_worker_leave_nothing_by_halves(place):
    drawn = random.Random(12)  # noqa: S311 - a test's own draw
    found = [kill_while_working(place, number, drawn) for number in range(1, KILLS + 1)]
    states = {state.value: found.count(state) for state in set(found)}
    print(f"\n{place.kind}: {KILLS} kills of the worker, found {states}")
    assert len(states) > 1


INIT_KILLS = 12


def test_init_that_was_killed_can_be_run_again(empty_place):
    drawn = random.Random(13)  # noqa: S311 - a test's own draw
    statuses = []
    for _ in range(INIT_KILLS):
        with subprocess.Popen(
            [sys.executable, "-c", _INIT],
            env=empty_place.all_environment(),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        ) as process:
            threading.Timer(drawn.uniform(0.5, 3.0), process.kill).start()
            said = process.stderr.read().decode()
        statuses.append(process.returncode)
        assert process.returncode in (0, -9) or "already; nothing was changed" in said, said
    final = empty_place.command("init")
    assert final.status == 0 or "already; nothing was changed" in final.err
    assert empty_place.command("verify").status == 0
    print(f"\n{empty_place.kind}: init ended with {statuses}")
