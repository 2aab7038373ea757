"""Second and repeated readings quarter by quarter: why asked for, how many done, owed, overdue."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, Viewer, require
from registry.domain.second_reading import SecondReason, quarter_of
from registry.store.queries.assignments import owed_readings
from registry.store.queries.ordered_readings import (
    first_readings_by_day,
    ordered_readings,
    quarter_draws,
    readers,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from decimal import Decimal

    from registry.store.home import Ledger
    from registry.store.queries.ordered_readings import OrderedReading, QuarterDraw

REPEATED = "re-reading"
REASONS = (*(reason.value for reason in SecondReason), REPEATED)
"""Why a second reading is asked for, in the order in which pages list it."""


@dataclass(frozen=True)
class Tally:
    """How many readings were asked for, and what became of them."""

    asked: int = 0
    done: int = 0
    owed: int = 0
    overdue: int = 0
    closed: int = 0


@dataclass(frozen=True)
class QuarterOfSeconds:
    """One quarter of operations.

    Attributes
    ----------
    period : such as 2026Q1
    seed, share_percent : of its draw, None where none was made
    first_readings : how many stand
    by_reason : tallies, by the reasons that occur
    total : over all of them
    """

    period: str
    seed: str | None
    share_percent: Decimal | None
    first_readings: int
    by_reason: dict[str, Tally]
    total: Tally


@dataclass(frozen=True)
class Waiting:
    """What waits for one reader.

    Attributes
    ----------
    reader : by name
    open_to_them : owed readings that they may take
    made_out_to_them : of those, the ones that nobody else may take
    longest_days : how long the oldest of them has waited, None where nothing does
    """

    reader: str
    open_to_them: int
    made_out_to_them: int
    longest_days: int | None


@dataclass(frozen=True)
class SecondReadings:
    """The whole page: quarters, the latest first, and readers by name."""

    quarters: Sequence[QuarterOfSeconds] = field(default_factory=list)
    waiting: Sequence[Waiting] = field(default_factory=list)


def second_readings(ledger: Ledger, viewer: Viewer, now: datetime) -> SecondReadings:
    """Return what was asked for beside first readings, and what waits for whom."""
    require(viewer, Deed.ORDER_READINGS, at_least=Reach.ALL)
    since = now - timedelta(days=ledger.settings.overdue_days)
    with ledger.reading() as session:
        ordered = ordered_readings(session, viewer)
        firsts = first_readings_by_day(session, viewer)
        draws = {draw.period: draw for draw in quarter_draws(session)}
        owed = [(each.name, owed_readings(session, each.viewer)) for each in readers(session)]
    by_quarter: dict[str, list[OrderedReading]] = defaultdict(list)
    for reading in ordered:
        by_quarter[quarter_of(reading.operated_on)].append(reading)
    read: Counter[str] = Counter()
    for day, count in firsts.items():
        read[quarter_of(day)] += count
    periods = sorted({*by_quarter, *draws, *read}, reverse=True)
    quarters = [
        _quarter(period, draws.get(period), read[period], by_quarter[period], since)
        for period in periods
    ]
    waiting = [
        Waiting(
            name,
            len(found),
            sum(each.is_made_out for each in found),
            max(((now - each.asked_at).days for each in found), default=None),
        )
        for name, found in owed
    ]
    return SecondReadings(quarters, waiting)


def _quarter(
    period: str,
    draw: QuarterDraw | None,
    first_readings: int,
    ordered: list[OrderedReading],
    since: datetime,
) -> QuarterOfSeconds:
    by_reason: dict[str, list[OrderedReading]] = defaultdict(list)
    for reading in ordered:
        by_reason[REPEATED if reading.is_repeated else reading.reason].append(reading)
    return QuarterOfSeconds(
        period=period,
        seed=None if draw is None else draw.seed,
        share_percent=None if draw is None else draw.share_percent,
        first_readings=first_readings,
        by_reason={
            reason: _tally(by_reason[reason], since)
            for reason in (*REASONS, *sorted(by_reason.keys() - set(REASONS)))
            if by_reason.get(reason)
        },
        total=_tally(ordered, since),
    )


def _tally(ordered: list[OrderedReading], since: datetime) -> Tally:
    done = [each for each in ordered if each.is_done]
    closed = [each for each in ordered if each.is_closed and not each.is_done]
    owed = [each for each in ordered if not each.is_done and not each.is_closed]
    overdue = [each for each in owed if each.asked_at < since]
    return Tally(len(ordered), len(done), len(owed), len(overdue), len(closed))
