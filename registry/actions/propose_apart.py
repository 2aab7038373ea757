"""Work a proposal out in a process of its own, within limits of time and memory.

What hangs, or is ended by the system, takes nobody with it: it becomes one line of why there is no
proposal.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from time import monotonic
from typing import TYPE_CHECKING, Any

from registry.actions.propose import LIMIT_SECONDS, StoppedError
from registry.domain.problems import FailureError
from registry.measure.proposals.documents import from_json, logged_to_json

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from registry.store.queries.proposals import ScanToPropose

_LOOK_SECONDS = 0.2


def propose_apart(
    images: Path,
    scan: ScanToPropose,
    *,
    module: str,
    limit_seconds: float = LIMIT_SECONDS,
    should_stop: Callable[[], bool] = lambda: False,
) -> str:
    """Return the document that `python -m module` answers with.

    It reads its order as JSON from standard input and answers with JSON.

    Raises
    ------
    FailureError : one line of why there is no proposal
    StoppedError : it was told to stop
    """
    order = {
        "images": str(images),
        "digest": scan.image_digest,
        "logged": logged_to_json(scan.logged),
    }
    # One thread: it works beside who serves.
    threads = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    with subprocess.Popen(  # noqa: S603 - our own interpreter and module
        [sys.executable, "-m", module],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, **threads},
        start_new_session=True,
    ) as process:
        try:
            said = _answer(process, json.dumps(order).encode(), limit_seconds, should_stop)
        finally:
            if process.poll() is None:
                process.kill()
    return _document(_parsed(said), process.returncode)


def _answer(
    process: subprocess.Popen[bytes],
    order: bytes,
    limit_seconds: float,
    should_stop: Callable[[], bool],
) -> bytes:
    ends_at = monotonic() + limit_seconds
    given: bytes | None = order
    while True:
        try:
            return process.communicate(given, timeout=_LOOK_SECONDS)[0]
        except subprocess.TimeoutExpired:
            given = None
        if should_stop():
            raise StoppedError
        if monotonic() > ends_at:
            raise FailureError(f"not worked out within {limit_seconds:.0f} seconds")


def _parsed(said: bytes) -> dict[str, Any]:
    try:
        found = json.loads(said)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _document(found: dict[str, Any], status: int) -> str:
    if isinstance(found.get("fault"), str):
        raise FailureError(found["fault"])
    document = found.get("document")
    if not isinstance(document, str):
        raise FailureError(f"the program ended with status {status} while it was at it")
    from_json(document)
    return document
