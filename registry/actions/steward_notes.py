"""What a steward's work leaves behind: an event in the trail and the trail's head by the keys."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.problems import FailureError
from registry.store.columns import instant_text
from registry.store.kept_heads import KeptHead, keep_head
from registry.store.models.trail import TrailHead

if TYPE_CHECKING:
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.store.home import Ledger


def note(ledger: Ledger, viewer: Viewer, verb: str, reason: str, now: datetime) -> str | None:
    """Write an event about the whole ledger; return why not where the trail takes none."""
    try:
        with ledger.writing(viewer, now) as work:
            work.note(verb, "ledger", reason)
    except FailureError as refused:
        return str(refused)
    return None


def keep_present_head(ledger: Ledger, what: str, now: datetime) -> None:
    """Keep the trail's present end beside the keys."""
    with ledger.reading() as session:
        head = session.get(TrailHead, 1)
        if head is None:
            return
        kept = KeptHead(instant_text(now), what, head.length, head.head)
    keep_head(ledger.keys.folder, ledger.keys.trail, kept)
