"""A desk that was opened by one person, once another is signed in in the same browser."""

from __future__ import annotations

from flask import request

from registry.actions.drafts import draft_owner
from registry.domain.problems import ConflictError, Fault
from registry.web.context import current_ledger, viewer_or_none


class TakenOverError(ConflictError):
    """The page is another person's than who is signed in now."""

    http_status = 412


def refuse_another_s_page() -> None:
    """Refuse what a page asks that was opened by somebody else in the same browser.

    It would be kept, or saved, as theirs who is signed in now.
    """
    viewer, owner = viewer_or_none(), request.headers.get("Desk-Owner", "")
    if viewer is not None and owner and owner != draft_owner(current_ledger(), viewer):
        raise TakenOverError(
            Fault("somebody else is signed in in this browser now", mend="sign in as before")
        )
