"""A process that answers one order as the program's own does, or as one does that goes wrong.

Run as `python -m tests.build.proposing_child`; the environment's PROPOSING says how.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from typing import TYPE_CHECKING, Any

from registry.cli.proposal_process import main
from registry.domain.problems import BadInputError, Fault
from tests.build.proposed import a_proposal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from registry.measure.proposals.records import LoggedScrew, ScanProposal


def propose(voxels: Any, affine: Any, logged: Sequence[LoggedScrew]) -> ScanProposal:
    """Propose what was made by hand, once it was looked at that the image came whole."""
    assert voxels.shape == (2, 2, 2)
    assert affine.shape == (4, 4)
    how = os.environ.get("PROPOSING", "")
    if how == "hangs":
        time.sleep(60)
    if how == "killed":
        os.kill(os.getpid(), signal.SIGKILL)
    if how == "refuses":
        raise BadInputError(Fault("no metal that could be a screw"))
    if how == "breaks":
        raise RuntimeError("a fault of ours")
    return a_proposal(logged, medial=2.44)


if __name__ == "__main__":
    sys.exit(main(propose))
