"""Keep what a reader has marked and typed, and save it once whatever becomes of the answer.

A draft is one account's and one owed reading's; it is outside the trail, goes into no backup, and
ends when the reading is saved, when its patient is withdrawn, or after `KEPT_DAYS` untouched.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import re
from datetime import timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from registry.actions.record_reading import Recorded, record_reading
from registry.actions.worklist import blind_screw, following, worklist
from registry.domain.access import Deed, Reach, require
from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.store.queries.drafts import (
    draft_text,
    drop_drafts_before,
    put_draft,
    saved_draft,
)

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from registry.actions.desk_answer import Submission
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.queries.drafts import SavedDraft

KEPT_DAYS = 60
"""Ours, no source: longer than a holiday and a rota."""
LARGEST_DRAFT = 200_000
"""Characters; sixty sections of a hundred marks each take less."""
_KEY = re.compile(r"[0-9a-f]{32}")


def keep_draft(
    ledger: Ledger, viewer: Viewer, assignment_id: int, document: Mapping[str, Any], now: datetime
) -> None:
    """Keep a draft in place of the one before; NotFoundError where the reading is not owed."""
    blind_screw(ledger, viewer, assignment_id, now)
    text = json.dumps(document, sort_keys=True, separators=(",", ":"))
    if len(text) > LARGEST_DRAFT:
        raise BadInputError(Fault("more marks than are kept", "draft", "remove some of them"))
    with ledger.untracked() as session:
        drop_drafts_before(session, now - timedelta(days=KEPT_DAYS))
        put_draft(session, viewer, assignment_id, text, now)


def draft_owner(ledger: Ledger, viewer: Viewer) -> str:
    """Return the word under which a browser may hold the viewer's drafts; it names nobody."""
    text = f"draft|{viewer.account_id}".encode()
    return hmac.new(ledger.keys.references, text, hashlib.sha256).hexdigest()[:16]


def kept_draft(
    ledger: Ledger, viewer: Viewer, assignment_id: int, now: datetime
) -> dict[str, Any] | None:
    """Return the viewer's own draft, None where there is none."""
    blind_screw(ledger, viewer, assignment_id, now)
    with ledger.reading() as session:
        text = draft_text(session, viewer, assignment_id)
    return None if text is None else json.loads(text)


def save_once(
    ledger: Ledger,
    viewer: Viewer,
    assignment_id: int,
    submission: Submission,
    now: datetime,
    *,
    key: str | None,
) -> Recorded:
    """Record a reading under a key; the same key again is answered the same and records nothing.

    Without a key it is recorded once all the same, and asking again is a conflict.

    Raises
    ------
    BadInputError : as `record_reading`, and for a key that is none
    ConflictError : saved already under another key: what is sent now is something else
    """
    if key is None:
        return record_reading(ledger, viewer, assignment_id, submission, now)
    if not _KEY.fullmatch(key):
        raise BadInputError(Fault("not in the form that this page sends", "key", "reload the page"))
    known = saved_as(ledger, viewer, assignment_id, now, key=key)
    if known is not None:
        return known
    try:
        return record_reading(ledger, viewer, assignment_id, submission, now, key=key)
    except ConflictError:
        # The same save twice at once: the other one had the lock first.
        known = saved_as(ledger, viewer, assignment_id, now, key=key)
        if known is None:
            raise
        return known


def saved_as(
    ledger: Ledger, viewer: Viewer, assignment_id: int, now: datetime, *, key: str | None = None
) -> Recorded | None:
    """Return what the viewer's own draft was saved as, with what is to be read next; else None."""
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    with ledger.reading() as session:
        saved = saved_draft(session, viewer, assignment_id)
    if saved is None:
        return None
    if key not in {None, saved.save_key}:
        raise _saved_otherwise(ledger, saved)
    told = json.loads(saved.outcome)
    is_practice = bool(told.get("is_practice"))
    return Recorded(
        told["reading_id"],
        told["grade"],
        told["words"],
        following(
            worklist(ledger, viewer, now, in_practice=is_practice or None), saved.image_digest
        ),
        told["finding_id"],
        is_practice,
    )


def _saved_otherwise(ledger: Ledger, saved: SavedDraft) -> ConflictError:
    at = saved.saved_at.astimezone(ZoneInfo(ledger.settings.zone))
    return ConflictError(
        Fault(
            f"you saved this reading at {at:%H:%M} already; what was changed since is not in it",
            mend="go on from the worklist, or ask for it to be read again at your readings",
        )
    )
