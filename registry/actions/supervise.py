"""Keep a process of its own running: started, watched, started again, ended in order."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from contextlib import contextmanager, suppress
from threading import Event, Thread
from time import monotonic
from typing import TYPE_CHECKING

from registry.domain.problems import BadInputError, FailureError, Fault

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

# Settings of ours, no source.
_FIRST_PAUSE, _LONGEST_PAUSE = 0.2, 30.0
_HEALTHY_SECONDS = 60.0
_ENDS_WITHIN_SECONDS = 20.0
_LOOK_SECONDS = 0.2
_LONGEST_LINE = 64 * 1024


def keep_running(
    module: str,
    order: Mapping[str, object],
    *,
    on_ready: Callable[[dict[str, object]], None],
    on_death: Callable[[int], None],
) -> None:
    """Run `python -m module` until SIGTERM or SIGINT, and again whenever it dies.

    The process reads its order as one line of JSON, answers with one when it is ready, and ends
    when its standard input does, so that it never outlives this one. What it says first, it is
    given with the order from then on: a port that was free at first stays the same.

    Parameters
    ----------
    module : its entry, a module of this program
    on_ready : told the answer, once
    on_death : told the exit status of each that died

    Raises
    ------
    BadInputError, FailureError : the first one could not begin, in its own words
    """
    given = dict(order)
    answer: dict[str, object] = {}

    def heard(said: dict[str, object]) -> None:
        if not answer:
            answer.update(_usable(said))
            given.update(answer)
            on_ready(answer)

    with told_to_stop() as stop:
        _watch(module, given, stop, heard, on_death)


@contextmanager
def running_beside(
    module: str, order: Mapping[str, object], *, on_death: Callable[[int], None]
) -> Iterator[None]:
    """Run `python -m module` as long as the block lasts, and again whenever it dies.

    As `keep_running`, but one that cannot begin is tried again as well: what it waits for may come
    back.
    """
    stop = Event()
    watched = (module, order, stop, lambda _: None, on_death)
    thread = Thread(target=_watch, args=watched)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def _watch(
    module: str,
    order: Mapping[str, object],
    stop: Event,
    heard: Callable[[dict[str, object]], None],
    on_death: Callable[[int], None],
) -> None:
    pause = _FIRST_PAUSE
    while not stop.is_set():
        began = monotonic()
        with _started(module, order) as process:
            heard(_first_words(process))
            status = _ended(process, stop)
        if status is None:
            return
        on_death(status)
        pause = _FIRST_PAUSE if monotonic() - began > _HEALTHY_SECONDS else pause * 2
        stop.wait(min(pause, _LONGEST_PAUSE))


@contextmanager
def _started(module: str, order: Mapping[str, object]) -> Iterator[subprocess.Popen[bytes]]:
    """Give the process, its order given; it is gone when the block ends."""
    process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
        [sys.executable, "-m", module],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        # Ctrl-C at the shell is for this process, which ends the other in order.
        start_new_session=True,
    )
    with process:
        try:
            # One that died at once says so by its status.
            with suppress(BrokenPipeError):
                if process.stdin is not None:
                    process.stdin.write(json.dumps(order).encode() + b"\n")
                    process.stdin.flush()
            yield process
        finally:
            if process.poll() is None:
                process.kill()


def _first_words(process: subprocess.Popen[bytes]) -> dict[str, object]:
    line = process.stdout.readline(_LONGEST_LINE) if process.stdout is not None else b""
    try:
        said = json.loads(line)
    except ValueError:
        return {}
    return said if isinstance(said, dict) else {}


def _usable(said: dict[str, object]) -> dict[str, object]:
    """Return the first answer of the first process, or raise what it says is wrong."""
    fault = said.get("fault")
    if fault is not None and said.get("status") == BadInputError.exit_status:
        raise BadInputError(Fault(str(fault)))
    if fault is not None:
        raise FailureError(str(fault))
    if not said:
        raise FailureError("the process could not begin; the log has what it said")
    return said


def _ended(process: subprocess.Popen[bytes], stop: Event) -> int | None:
    """Wait for the process; return its status, or None where it was told to stop and has."""
    while not stop.is_set():
        try:
            return process.wait(_LOOK_SECONDS)
        except subprocess.TimeoutExpired:
            continue
    process.terminate()
    try:
        process.wait(_ENDS_WITHIN_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
    return None


@contextmanager
def told_to_stop(wake: Callable[[], None] = lambda: None) -> Iterator[Event]:
    """Give an event that SIGTERM and SIGINT set; a second signal does what it does elsewhere.

    `wake` is called once it is set, for who waits for something else.
    """
    stop = Event()
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}

    def told(number: int, _frame: object) -> None:
        stop.set()
        signal.signal(number, before[signal.Signals(number)])
        wake()

    for number in before:
        signal.signal(number, told)
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
