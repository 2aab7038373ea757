"""The actions that the unit agreed on, as they stood at an instant, for who may seal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.agreed import AgreedAction, AgreedState
from registry.store.models.actions import QuarterAction
from registry.store.models.people import Person

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from sqlalchemy.orm import Session


def agreed_actions(session: Session, zone: ZoneInfo, until: datetime) -> list[AgreedAction]:
    """Return every action as it stood at an instant, the first first; days are the unit's own."""
    rows = session.execute(
        select(QuarterAction, Person.name)
        .join(Person, Person.id == QuarterAction.owner_id)
        .where(QuarterAction.agreed_at <= until)
        .order_by(QuarterAction.id)
    ).all()
    followed = {row.replaces_id: row for row, _ in rows if row.replaces_id is not None}
    return [_action(row, owner, followed, zone, until) for row, owner in rows]


def _action(
    row: QuarterAction,
    owner: str,
    followed: Mapping[int, QuarterAction],
    zone: ZoneInfo,
    until: datetime,
) -> AgreedAction:
    after = followed.get(row.id)
    state, ended_on, came_of_it = AgreedState.OPEN, None, None
    if row.ended_at is not None and row.ended_at <= until:
        state = AgreedState.DONE if row.is_done else AgreedState.NOT_DONE
        ended_on, came_of_it = row.ended_on, row.came_of_it
    if after is not None:
        state, came_of_it = AgreedState.REPLACED, after.why
        ended_on = after.agreed_at.astimezone(zone).date()
    return AgreedAction(
        number=row.id,
        period=row.period,
        what=row.what,
        owner=owner,
        due_on=row.due_on,
        agreed_on=row.agreed_at.astimezone(zone).date(),
        state=state,
        ended_on=ended_on,
        came_of_it=came_of_it,
        replaces=row.replaces_id,
        replaced_by=None if after is None else after.id,
        version=row.version,
    )
