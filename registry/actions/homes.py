"""What somebody sits down to: what waits, own results, the quarter so far, the ledger's state."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from registry.actions.count import count_rates
from registry.actions.headline import headline
from registry.actions.policy import findings
from registry.actions.read_again import my_readings
from registry.actions.replies import own_quarter, quarter_state, today_of
from registry.actions.worklist import offered
from registry.domain.access import Deed, Reach, Role, Viewer, reach, require
from registry.domain.disclosure import settled_until
from registry.domain.readings import ReadingRole
from registry.domain.reply import quarter_of
from registry.store.kept_heads import last_head
from registry.store.models.trail import TrailHead
from registry.store.queries.accounts import AccountState, listed_accounts
from registry.store.queries.arrivals import arrivals_waiting
from registry.store.queries.missing import screws_read, unscanned_cases
from registry.store.queries.ordered_readings import owed_orders
from registry.store.queries.replies import last_own_day, own_open_rounds
from registry.store.schema import current
from reports.tables.rates import Question
from reports.tables.splits import IntervalName, Split

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from registry.actions.replies import OwnQuarter, QuarterState
    from registry.store.home import Ledger
    from registry.store.queries.accounts import ListedAccount
    from registry.store.queries.missing import ScrewRead, UnscannedCase
    from registry.store.queries.replies import OwnOpenRound
    from reports.tables.rates import RateRow, RateTable

QUARTERS_SHOWN = 4
"""This one and those before it, on the quality lead's page."""


@dataclass(frozen=True)
class ToRead:
    """What waits for a reader.

    Attributes
    ----------
    owed : readings that they may take on
    next_id : the one that the worklist offers first
    longest_days : how long the oldest has waited
    overdue : how many were asked for more than `overdue_days` ago
    can_be_made_again : own readings that stand and whose image is held
    open_findings : own ones, by the unit's policy
    """

    owed: int
    next_id: int | None
    longest_days: int
    overdue: int
    overdue_days: int
    can_be_made_again: int
    open_findings: int


def to_read(ledger: Ledger, viewer: Viewer, now: datetime) -> ToRead:
    """Return what waits for a reader, as counts: nothing of whose screws they are."""
    waiting = offered(ledger, viewer)
    overdue_days = ledger.settings.overdue_days
    since = now - timedelta(days=overdue_days)
    asked = [owed.asked_at for owed in waiting]
    # The quality lead is told of everybody's, among the unit's own lines.
    is_lead = Role.QUALITY_LEAD in viewer.roles
    return ToRead(
        owed=len(waiting),
        next_id=waiting[0].assignment_id if waiting else None,
        longest_days=max(((now - at).days for at in asked), default=0),
        overdue=sum(at < since for at in asked),
        overdue_days=overdue_days,
        can_be_made_again=sum(each.can_be_replaced for each in my_readings(ledger, viewer)),
        open_findings=0 if is_lead else _open_findings(ledger, viewer),
    )


def scans_waiting(ledger: Ledger, viewer: Viewer) -> int | None:
    """Return how many scans that came in wait for a person; None for who may not decide."""
    if reach(viewer, Deed.LOAD_SCANS) is not Reach.ALL:
        return None
    with ledger.reading() as session:
        return arrivals_waiting(session, viewer)


def _open_findings(ledger: Ledger, viewer: Viewer) -> int:
    return sum(found.closed_at is None for found in findings(ledger, viewer))


@dataclass(frozen=True)
class OwnWork:
    """A surgeon's own results, and nobody else's.

    Attributes
    ----------
    rates : own rates, each a table of which the own row alone is for the eye
    quarter : own screws of the last quarter in which they took part in a case
    open_rounds : quarters that they may still reply to
    unscanned : own cases without an audit scan
    """

    rates: Sequence[RateTable]
    quarter: OwnQuarter
    open_rounds: Sequence[OwnOpenRound]
    unscanned: Sequence[UnscannedCase]


def own_work(ledger: Ledger, viewer: Viewer, now: datetime) -> OwnWork:
    """Return a surgeon's own results; whatever else they may do, no more than a surgeon sees."""
    viewer = replace(viewer, roles=viewer.roles & {Role.SURGEON})
    require(viewer, Deed.REPLY)
    today, window = today_of(ledger, now), ledger.settings.audit_window_days
    with ledger.reading() as session:
        open_rounds = own_open_rounds(session, viewer, today)
        unscanned = unscanned_cases(session, viewer, window)
        last_day = last_own_day(session, viewer) or today
    return OwnWork(
        rates=_own_rates(ledger, viewer, today),
        quarter=own_quarter(ledger, viewer, quarter_of(last_day).name, now),
        open_rounds=open_rounds,
        unscanned=unscanned,
    )


def _own_rates(ledger: Ledger, viewer: Viewer, today: date) -> list[RateTable]:
    """Return the rates of the year to date and of all that is settled, own rows and no others.

    They come from the count that the rates page asks, which says what a surgeon may be told. Where
    it gives no interval with patients as clusters, the plain one stands in, named as such.
    """
    question = Question(
        by=(Split.SURGEON,),
        threshold=headline(ledger.settings),
        minimum=ledger.settings.minimum_graded,
    )
    year = replace(question, start=date(today.year, 1, 1), end=today, interval=IntervalName.WILSON)
    settled = settled_until(today, ledger.settings.audit_window_days[1])
    asked = [year, replace(question, end=settled)]
    found = [count_rates(ledger, viewer, each, today) for each in asked]
    if any(row.rate is not None and row.low is None for row in found[1].rows):
        plain = replace(asked[1], interval=IntervalName.WILSON)
        found[1] = count_rates(ledger, viewer, plain, today)
    return [replace(table, peers=(), withheld=()) for table in found]


@dataclass(frozen=True)
class QuarterLine:
    """How far a quarter is.

    Attributes
    ----------
    state : on its way to the seal
    is_over : its last day is past
    counted : placed, imaged, graded, provisional as the rates page counts them; None without screws
    second_read : screws with a second reading
    without_reason, past_window : cases without an audit scan for which no reason is given; of
        those, the ones for which none can be made any more
    not_read, partly_read, not_assessable : imaged screws that have no grade, and why
    """

    state: QuarterState
    is_over: bool
    counted: RateRow | None
    second_read: int
    without_reason: int
    past_window: int
    not_read: int
    partly_read: int
    not_assessable: int


@dataclass(frozen=True)
class UnitWork:
    """What waits for a quality lead.

    Attributes
    ----------
    quarters : this one first, then those before it
    overdue : readings by anybody that were asked for more than `overdue_days` ago
    longest_days : how long the oldest owed one has waited
    adjudications : owed
    open_findings : that nobody has closed
    """

    quarters: Sequence[QuarterLine]
    overdue: int
    overdue_days: int
    longest_days: int
    adjudications: int
    open_findings: int


def unit_work(ledger: Ledger, viewer: Viewer, now: datetime) -> UnitWork:
    """Return what stands between the unit's quarters and their seals, for the quality lead."""
    require(viewer, Deed.LAY_BEFORE_SURGEONS, at_least=Reach.ALL)
    overdue_days = ledger.settings.overdue_days
    with ledger.reading() as session:
        owed = owed_orders(session, viewer)
    return UnitWork(
        quarters=_quarter_lines(ledger, viewer, now),
        overdue=sum(each.asked_at < now - timedelta(days=overdue_days) for each in owed),
        overdue_days=overdue_days,
        longest_days=max(((now - each.asked_at).days for each in owed), default=0),
        adjudications=sum(each.role == ReadingRole.ADJUDICATION for each in owed),
        open_findings=_open_findings(ledger, viewer),
    )


def _quarter_lines(ledger: Ledger, viewer: Viewer, now: datetime) -> list[QuarterLine]:
    today, window = today_of(ledger, now), ledger.settings.audit_window_days
    shown = [quarter_of(today)]
    while len(shown) < QUARTERS_SHOWN:
        shown.append(quarter_of(shown[-1].first - timedelta(days=1)))
    since = shown[-1].first
    with ledger.reading() as session:
        screws = screws_read(session, viewer, window, since)
        unscanned = unscanned_cases(session, viewer, window)
    question = Question(by=(Split.QUARTER,), start=since, minimum=ledger.settings.minimum_graded)
    counted = {
        row.stratum[Split.QUARTER]: row for row in count_rates(ledger, viewer, question).rows
    }
    seconds = _by_quarter(screws, lambda screw: screw.is_second_read)
    unread = _by_quarter(screws, lambda screw: not screw.is_read)
    partly = _by_quarter(screws, lambda screw: screw.is_partly_read)
    unclear = _by_quarter(screws, lambda screw: screw.is_read and not screw.is_assessable)
    without = [case.operated_on for case in unscanned if not case.no_scan_reason]
    last_day = today - timedelta(days=window[1])
    return [
        QuarterLine(
            state=quarter_state(ledger, viewer, each.name, now),
            is_over=each.last < today,
            counted=counted.get(each.name),
            second_read=seconds[each.name],
            without_reason=sum(each.first <= day <= each.last for day in without),
            past_window=sum(each.first <= day <= each.last and day < last_day for day in without),
            not_read=unread[each.name],
            partly_read=partly[each.name],
            not_assessable=unclear[each.name],
        )
        for each in shown
        if each is shown[0] or each.name in counted
    ]


def _by_quarter(screws: Iterable[ScrewRead], holds: Callable[[ScrewRead], bool]) -> Counter[str]:
    return Counter(quarter_of(screw.operated_on).name for screw in screws if holds(screw))


@dataclass(frozen=True)
class LedgerState:
    """What a steward looks after; nothing clinical.

    Attributes
    ----------
    accounts : invited or disabled ones, by name
    active : how many can sign in
    backed_up_at : the last backup that was noted beside the keys, None without one
    events_since : that it does not hold
    schema : the database's revision
    settings : those that a number depends on, by name
    """

    accounts: Sequence[ListedAccount]
    active: int
    backed_up_at: datetime | None
    events_since: int
    schema: str | None
    settings: Sequence[tuple[str, str]]


def ledger_state(ledger: Ledger, viewer: Viewer, now: datetime) -> LedgerState:
    """Return the state of accounts, backups, schema and settings."""
    require(viewer, Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
    require(viewer, Deed.BACK_UP, at_least=Reach.ALL)
    with ledger.reading() as session:
        accounts = listed_accounts(session, viewer, now)
        head = session.get(TrailHead, 1)
        length = 0 if head is None else head.length
    kept = last_head(ledger.keys.folder, ledger.keys.trail, "backup")
    waiting = {AccountState.INVITED, AccountState.EXPIRED, AccountState.DISABLED}
    return LedgerState(
        accounts=[account for account in accounts if account.state in waiting],
        active=sum(account.state is AccountState.ACTIVE for account in accounts),
        backed_up_at=None if kept is None else datetime.fromisoformat(kept.at),
        events_since=length - (0 if kept is None else kept.length),
        schema=current(ledger.engine),
        settings=[
            (name, _in_words(value))
            for name, value in json.loads(ledger.settings.written()).items()
        ],
    )


def _in_words(value: object) -> str:
    """Return a setting as people write it: 0, 90 for a list, medial 4, caudal 4 for limits."""
    if isinstance(value, list):
        parts = [" ".join(map(str, part)) if isinstance(part, list) else part for part in value]
        return ", ".join(map(str, parts))
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)
