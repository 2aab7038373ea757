"""The cases of a list of screws: which of them a viewer may look at, and has not looked at yet."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import exists

from registry.store.models.cases import Case
from registry.store.models.unit import CaseSeen
from registry.store.visible import took_part, visible_cases

if TYPE_CHECKING:
    from collections.abc import Collection

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer


def case_references(session: Session, viewer: Viewer, case_ids: Collection[int]) -> dict[int, str]:
    """Return the references of those of some cases that a viewer may look at."""
    asked = visible_cases(viewer).where(Case.id.in_(case_ids))
    return {
        row[0]: row[1] for row in session.execute(asked.with_only_columns(Case.id, Case.reference))
    }


def unseen_cases(session: Session, viewer: Viewer, case_ids: Collection[int]) -> list[int]:
    """Return those of some cases that a viewer may look at, might read, and has not looked at."""
    if viewer.person_id is None:
        return []
    seen = exists().where(CaseSeen.case_id == Case.id, CaseSeen.account_id == viewer.account_id)
    asked = visible_cases(viewer).where(
        Case.id.in_(case_ids), ~took_part(viewer.person_id), ~seen.correlate(Case)
    )
    found = session.execute(asked.with_only_columns(Case.id).order_by(Case.id))
    return list(found.scalars())
