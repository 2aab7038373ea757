"""The process that works out one proposal; started by the worker and by `propose`.

Its order is JSON on standard input, its answer JSON on standard output: the document, or in one
line why there is none.
"""

from __future__ import annotations

import json
import logging
import os
import resource
import sys
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.log import start_logging
from registry.cli.worker_process import MEMORY_BYTES
from registry.domain.problems import ProblemError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from typing import Any, TypeAlias

    from registry.measure.proposals.records import LoggedScrew, ScanProposal

    Propose: TypeAlias = Callable[[Any, Any, Sequence[LoggedScrew]], ScanProposal]

_KINDER = 10
"""Readers come first: it runs when nobody else wants the processor."""


def main(propose: Propose | None = None) -> int:
    """Answer one order; return the exit status."""
    start_logging()
    os.nice(_KINDER)
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))
    order = json.load(sys.stdin)
    json.dump(_answer(order, propose), sys.stdout)
    return 0


def _answer(order: dict[str, str], propose: Propose | None) -> dict[str, str]:
    from registry.measure.proposals.documents import logged_from_json, to_json
    from registry.store.images import ImageStore

    try:
        work = propose or import_module("registry.measure.proposals.propose").propose
        image = ImageStore(Path(order["images"])).open(order["digest"])
        return {
            "document": to_json(work(image.voxels, image.affine, logged_from_json(order["logged"])))
        }
    except ProblemError as problem:
        return {"fault": "; ".join(problem.lines())}
    except MemoryError:
        return {"fault": "it takes more memory than the program may have"}
    except Exception:  # the last resort: the whole of it goes to the log
        logging.getLogger("registry.propose").exception("unexpected")
        return {"fault": "the program failed at it; the log has the details"}


if __name__ == "__main__":
    sys.exit(main())
