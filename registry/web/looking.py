"""Note that a page has shown a case with its surgeon and technique."""

from __future__ import annotations

from registry.actions.look_at_case import look_at_case
from registry.domain.access import Deed, Reach, reach
from registry.domain.problems import NotFoundError
from registry.web.context import current_ledger, current_viewer, now


def note_look(case_id: int) -> None:
    """Note the look of who may look at the case; of who entered it, it is known already."""
    viewer = current_viewer()
    if reach(viewer, Deed.SEE_CASES) is Reach.NONE:
        return
    try:
        look_at_case(current_ledger(), viewer, case_id, now())
    except NotFoundError:
        # Somebody with several roles puts right a case that they entered and may not look at.
        return
