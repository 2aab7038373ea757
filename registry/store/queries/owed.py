"""Every reading that was asked for of some cases, owed or closed: for keeping them right.

No viewer is asked, and nothing of it is shown.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.techniques import COUNTED_LIVES
from registry.store.models.cases import Screw
from registry.store.models.readings import Assignment
from registry.store.visible import is_fulfilled

if TYPE_CHECKING:
    from collections.abc import Collection

    from sqlalchemy.orm import Session

_LISTED_AT_MOST = 500


@dataclass(frozen=True)
class AskedFor:
    """One reading that was asked for and has not been made.

    Attributes
    ----------
    closed_reason : why it is owed no longer, None while it is
    is_counted : whether the screw was placed
    """

    assignment_id: int
    case_id: int
    screw_id: int
    scan_id: int
    closed_reason: str | None
    is_counted: bool


def asked_of_cases(session: Session, case_ids: Collection[int]) -> list[AskedFor]:
    """Return what was asked for of these cases and has not been made."""
    if not case_ids:
        return []
    query = (
        select(
            Assignment.id,
            Screw.case_id,
            Assignment.screw_id,
            Assignment.scan_id,
            Assignment.closed_reason,
            Screw.life,
        )
        .join(Screw, Screw.id == Assignment.screw_id)
        .where(~is_fulfilled())
        .order_by(Assignment.id)
    )
    # A long list of ids is slower to send, and limited, than reading the table whole.
    if len(case_ids) <= _LISTED_AT_MOST:
        query = query.where(Screw.case_id.in_(case_ids))
    wanted, lives = set(case_ids), {life.value for life in COUNTED_LIVES}
    return [
        AskedFor(*row[:5], row[5] in lives) for row in session.execute(query) if row[1] in wanted
    ]
