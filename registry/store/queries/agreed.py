"""The actions that the unit agreed on: all of them for who may seal, their own for an owner."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import exists, false, select
from sqlalchemy.orm import aliased

from registry.domain.access import Deed, Reach, reach
from registry.domain.agreed import AgreedAction, AgreedState
from registry.store.models.actions import QuarterAction
from registry.store.models.people import Person

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer

_AFTER = aliased(QuarterAction)


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


def own_open_actions(
    session: Session, viewer: Viewer, zone: ZoneInfo, now: datetime
) -> list[AgreedAction]:
    """Return the open actions that are the viewer's to do, the first due first."""
    may = viewer.person_id is not None and reach(viewer, Deed.SEE_OWN_ACTIONS) is not Reach.NONE
    rows = session.execute(
        select(QuarterAction, Person.name)
        .join(Person, Person.id == QuarterAction.owner_id)
        .where(
            QuarterAction.owner_id == viewer.person_id if may else false(),
            QuarterAction.ended_at.is_(None),
            ~exists().where(_AFTER.replaces_id == QuarterAction.id),
        )
        .order_by(QuarterAction.due_on, QuarterAction.id)
    ).all()
    return [_action(row, owner, {}, zone, now) for row, owner in rows]


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
