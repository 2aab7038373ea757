"""Note that a page has shown a case with its surgeon and technique, or whose scan came in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.look_at_case import look_at_case
from registry.actions.look_to_match import look_to_match
from registry.domain.access import Deed, Reach, reach
from registry.domain.problems import NotFoundError
from registry.web.context import current_ledger, current_viewer, now

if TYPE_CHECKING:
    from collections.abc import Collection


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


def note_matching(case_ids: Collection[int]) -> None:
    """Note that the cases were named beside a scan that came in and is to be matched."""
    look_to_match(current_ledger(), current_viewer(), case_ids, now())
