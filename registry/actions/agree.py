"""Agree on actions for a quarter, say what came of them, put another in one's place."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from registry.actions.replies import today_of
from registry.domain.access import Deed, Reach, require
from registry.domain.agreed import (
    LONGEST_CAME,
    LONGEST_WHAT,
    LONGEST_WHY,
    AgreedState,
    agreed_for,
    from_last_time,
)
from registry.domain.problems import BadInputError, ConflictError, Fault, NotFoundError
from registry.domain.reply import quarter
from registry.domain.words import folded, one_line
from registry.intake import values
from registry.store.models.actions import QuarterAction
from registry.store.queries import agreed, seals
from registry.store.queries.people import all_person_names, person_ids

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date, datetime

    from registry.domain.access import Viewer
    from registry.domain.agreed import AgreedAction
    from registry.domain.reply import Quarter
    from registry.store.home import Ledger
    from registry.store.writing import Writing


@dataclass(frozen=True)
class QuarterActions:
    """A quarter's actions now: those of earlier ones that its report tells, and its own."""

    quarter: Quarter
    from_last_time: Sequence[AgreedAction]
    agreed: Sequence[AgreedAction]
    today: date


@dataclass(frozen=True)
class _Typed:
    what: str
    owner_id: int
    due_on: date


def actions_of(ledger: Ledger, viewer: Viewer, period: str, now: datetime) -> QuarterActions:
    """Return a quarter's actions as they are now."""
    require(viewer, Deed.SEAL, at_least=Reach.ALL)
    asked = quarter(period)
    found = _all(ledger, now)
    return QuarterActions(
        asked, from_last_time(found, asked), agreed_for(found, asked), today_of(ledger, now)
    )


def one_action(ledger: Ledger, viewer: Viewer, number: int, now: datetime) -> AgreedAction:
    """Return one action; NotFoundError where there is none of that number."""
    require(viewer, Deed.SEAL, at_least=Reach.ALL)
    found = next((each for each in _all(ledger, now) if each.number == number), None)
    if found is None:
        raise NotFoundError(f"there is no action {number}")
    return found


def own_actions(ledger: Ledger, viewer: Viewer, now: datetime) -> list[AgreedAction]:
    """Return the open actions that are the viewer's own to do; of others' nothing is told."""
    with ledger.reading() as session:
        return agreed.own_open_actions(session, viewer, ZoneInfo(ledger.settings.zone), now)


def possible_owners(ledger: Ledger, viewer: Viewer) -> list[str]:
    """Return the names of everybody who may own an action."""
    require(viewer, Deed.SEAL, at_least=Reach.ALL)
    with ledger.reading() as session:
        return sorted(all_person_names(session).values(), key=folded)


def agree_on(
    ledger: Ledger, viewer: Viewer, period: str, texts: Mapping[str, str], now: datetime
) -> int:
    """Keep an action that was agreed on for a quarter, as typed; return its number.

    `texts` has what, owner and due_on; BadInputError says all that is wrong with them.
    """
    require(viewer, Deed.SEAL, at_least=Reach.ALL)
    asked = quarter(period)
    with _writing(ledger, viewer, now) as work:
        typed = _typed(work, texts)
        return _insert(work, viewer, "agree on an action", asked.name, typed)


def end_action(
    ledger: Ledger, viewer: Viewer, number: int, texts: Mapping[str, str], now: datetime
) -> None:
    """Say that an action is done or will not be, when, and what came of it, as typed.

    `texts` has is_done (yes or no), ended_on, came_of_it and the version that was looked at.
    """
    require(viewer, Deed.SEAL, at_least=Reach.ALL)
    faults: list[Fault] = []
    came = _words(texts, "came_of_it", LONGEST_CAME, faults)
    ended_on = _day(texts, "ended_on", faults)
    if texts.get("is_done") not in {"yes", "no"}:
        faults.append(Fault("say whether it was done", "is_done", "choose yes or no"))
    if ended_on is not None and ended_on > today_of(ledger, now):
        faults.append(Fault("lies ahead", "ended_on", "give the day on which it ended"))
    if faults:
        raise BadInputError(*faults)
    with _writing(ledger, viewer, now) as work:
        stands = _looked_at(ledger, work, number, texts)
        if stands.state is not AgreedState.OPEN:
            mend = "nothing was changed; put another in its place if that is wrong"
            raise ConflictError(Fault(f"action {number} is {stands.state}", mend=mend))
        work.update(
            QuarterAction,
            "say what came of an action",
            number,
            is_done=texts["is_done"] == "yes",
            ended_on=ended_on,
            came_of_it=came,
            ended_by_id=viewer.account_id,
            ended_at=now,
        )


def replace_action(
    ledger: Ledger, viewer: Viewer, number: int, texts: Mapping[str, str], now: datetime
) -> int:
    """Put another action in one's place for a stated reason; return its number.

    The earlier one stays, with the reason. `texts` has what, owner, due_on, why and the version.
    """
    require(viewer, Deed.SEAL, at_least=Reach.ALL)
    with _writing(ledger, viewer, now) as work:
        stands = _looked_at(ledger, work, number, texts)
        if stands.state is AgreedState.REPLACED:
            what = f"action {stands.replaced_by} stands in the place of action {number} already"
            raise ConflictError(Fault(what, mend="nothing was changed"))
        faults: list[Fault] = []
        why = _words(texts, "why", LONGEST_WHY, faults)
        if faults:
            raise BadInputError(*faults)
        typed = _typed(work, texts)
        verb = "put another action in one's place"
        return _insert(work, viewer, verb, stands.period, typed, replaces_id=number, why=why)


def _all(ledger: Ledger, now: datetime) -> list[AgreedAction]:
    with ledger.reading() as session:
        return agreed.agreed_actions(session, ZoneInfo(ledger.settings.zone), now)


def _looked_at(
    ledger: Ledger, work: Writing, number: int, texts: Mapping[str, str]
) -> AgreedAction:
    """Return the action; ConflictError where it was changed since its form was opened."""
    zone = ZoneInfo(ledger.settings.zone)
    found = next(
        (each for each in agreed.agreed_actions(work.session, zone, work.now)
         if each.number == number),
        None,
    )  # fmt: skip
    if found is None:
        raise NotFoundError(f"there is no action {number}")
    if texts.get("version", "") != str(found.version):
        what = f"action {number} has been changed meanwhile"
        raise ConflictError(Fault(what, mend="look at it again; nothing was changed"))
    return found


@contextmanager
def _writing(ledger: Ledger, viewer: Viewer, now: datetime) -> Iterator[Writing]:
    """Give a transaction that no seal of the same moment meets.

    A report tells actions as they stood at its seal: none may come to be before it afterwards.
    """
    with ledger.writing(viewer, now) as work:
        if seals.is_sealed_since(work.session, now):
            what = "a quarter was sealed at this very moment"
            raise ConflictError(Fault(what, mend="nothing was changed; try again"))
        yield work


def _typed(work: Writing, texts: Mapping[str, str]) -> _Typed:
    faults: list[Fault] = []
    what = _words(texts, "what", LONGEST_WHAT, faults)
    due_on = _day(texts, "due_on", faults)
    name = texts.get("owner", "").strip()
    owner_id = person_ids(work.session, [name]).get(folded(name)) if name else None
    if owner_id is None:
        faults.append(Fault("is nobody the ledger knows", "owner", "choose a name of the list"))
    if faults or due_on is None or owner_id is None:
        raise BadInputError(*faults)
    return _Typed(what, owner_id, due_on)


def _words(texts: Mapping[str, str], name: str, longest: int, faults: list[Fault]) -> str:
    words = one_line(texts.get(name, ""))
    if not words or len(words) > longest:
        faults.append(Fault(f"has between 1 and {longest} characters", name, "write it so"))
    return words


def _day(texts: Mapping[str, str], name: str, faults: list[Fault]) -> date | None:
    try:
        return values.day(texts.get(name, "").strip())
    except ValueError:
        faults.append(Fault("is no day", name, "write it as 2026-12-31"))
        return None


def _insert(
    work: Writing,
    viewer: Viewer,
    verb: str,
    period: str,
    typed: _Typed,
    *,
    replaces_id: int | None = None,
    why: str | None = None,
) -> int:
    return work.insert(
        QuarterAction,
        verb,
        period=period,
        what=typed.what,
        owner_id=typed.owner_id,
        due_on=typed.due_on,
        agreed_by_id=viewer.account_id,
        agreed_at=work.now,
        replaces_id=replaces_id,
        why=why,
    )
