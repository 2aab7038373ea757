"""A quarter's numbers, gathered from the actions that pages and commands ask as well.

Nothing is counted here. Who may see every surgeon may have it, and nobody else.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, timedelta
from importlib.metadata import version
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from registry.actions.agreement import AgreementAsked, compare_readers
from registry.actions.compare_groups import compare_groups
from registry.actions.completeness import measure_completeness
from registry.actions.count import count_whole
from registry.actions.count_runs import count_run
from registry.actions.count_surgeons import count_surgeons
from registry.actions.headline import headline
from registry.actions.replies import quarter_state, today_of
from registry.actions.second_readings import second_readings
from registry.domain.access import Deed, Reach, require
from registry.domain.agreed import agreed_for, from_last_time
from registry.domain.directions import Direction
from registry.domain.levels import level
from registry.domain.problems import BadInputError, Fault
from registry.domain.reply import Quarter, quarter, quarter_of
from registry.store.queries import agreed, seals
from registry.store.queries.findings import findings_of_quarter
from reports.documents.quarter import (
    Actions,
    MadeWith,
    Period,
    PeriodRates,
    PolicyItem,
    QuarterRates,
    QuarterReport,
    Readers,
    SecondReads,
    Spans,
    Standard,
    Waiting,
    Work,
)
from reports.frame import Threshold
from reports.tables.compare import ComparisonQuestion
from reports.tables.rates import Question
from reports.tables.splits import Split

if TYPE_CHECKING:
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.domain.settings import Settings
    from registry.store.home import Ledger
    from reports.tables.compare import ComparisonTable

_NUMBERS_OF = ("pedicle-ledger", "numpy", "pandas", "scipy")
_SHEET_OF = ("matplotlib", "openpyxl", "typst")
_ONE_FOR_ALL = 0
"""In place of the account: a report's codes are its own, whoever makes it."""


def quarter_numbers(ledger: Ledger, viewer: Viewer, period: str, now: datetime) -> QuarterReport:
    """Return a quarter's report; the same for the same ledger and the same `now`, whoever asks.

    BadInputError where `period` is no quarter, or one that has not begun.
    """
    require(viewer, Deed.SEE_SURGEONS, at_least=Reach.ALL)
    asked = quarter(period)
    if today_of(ledger, now) < asked.first:
        raise BadInputError(
            Fault(f"{asked.name} begins on {asked.first}", mend="ask for one that has begun")
        )
    spans = _spans(asked)
    question = _of(ledger, spans.quarter)
    anybody = replace(viewer, account_id=_ONE_FOR_ALL)
    return QuarterReport(
        unit=ledger.settings.unit_name,
        spans=spans,
        made_at=now.astimezone(UTC).replace(microsecond=0),
        question=question,
        window_days=ledger.settings.audit_window_days,
        scale=ledger.settings.scale,
        standard=_standard(ledger.settings),
        rates=_rates(ledger, viewer, spans),
        change=_change(ledger, viewer, spans),
        surgeons=count_surgeons(ledger, anybody, question),
        run=count_run(ledger, viewer, _of(ledger, spans.year)),
        readers=_readers(ledger, viewer, asked),
        completeness=measure_completeness(ledger, viewer, replace(question, minimum=0)),
        work=_work(ledger, viewer, asked, now),
        actions=_actions(ledger, asked, now),
        made_with=MadeWith(
            ledger.settings.written(), {name: version(name) for name in (*_NUMBERS_OF, *_SHEET_OF)}
        ),
    )


def _standard(settings: Settings) -> Standard | None:
    if settings.standard_percent is None:
        return None
    return Standard(settings.standard_percent, settings.standard_words)


def _spans(asked: Quarter) -> Spans:
    """Return the quarter, the one before it, and the four quarters that end with it."""
    before = quarter_of(asked.first - timedelta(days=1))
    first = date(asked.last.year - 1, asked.last.month, 1)
    following = quarter_of(quarter_of(first).last + timedelta(days=1))
    return Spans(
        Period(asked.name, asked.first, asked.last),
        Period(before.name, before.first, before.last),
        Period(f"the year to {asked.name}", following.first, asked.last),
    )


def _of(ledger: Ledger, period: Period) -> Question:
    """Return the headline's question over a period."""
    return Question(
        start=period.first,
        end=period.last,
        threshold=headline(ledger.settings),
        minimum=ledger.settings.minimum_graded,
    )


def _rates(ledger: Ledger, viewer: Viewer, spans: Spans) -> QuarterRates:
    """Return every rate table of the report, the ledger read twice for all of them."""
    periods = (spans.quarter, spans.before, spans.year)
    whole, year = _of(ledger, spans.quarter), _of(ledger, spans.year)
    medial, lateral = (
        replace(whole, by=(Split.LEVEL,), direction=wall)
        for wall in (Direction.MEDIAL, Direction.LATERAL)
    )
    levels = replace(whole, by=(Split.LEVEL,))
    technique = replace(whole, by=(Split.REGION, Split.ENTRY_TECHNIQUE))
    guidance = replace(whole, by=(Split.REGION, Split.GUIDANCE))
    cut_offs = {
        period.name: [replace(_of(ledger, period), threshold=each) for each in Threshold]
        for period in periods
    }
    of_year = {
        each: replace(each, start=year.start)
        for each in (levels, medial, lateral, technique, guidance)
    }
    walls = {wall: replace(whole, direction=wall) for wall in Direction}
    asked = [
        *(each for questions in cut_offs.values() for each in questions),
        *(levels, medial, lateral, technique, guidance, *of_year.values(), *walls.values()),
    ]
    made = dict(zip(asked, count_whole(ledger, viewer, asked), strict=True))
    return QuarterRates(
        periods=tuple(
            PeriodRates(period, tuple(made[each] for each in cut_offs[period.name]))
            for period in periods
        ),
        levels=made[levels],
        medial=made[medial],
        lateral=made[lateral],
        techniques=made[technique],
        guidance=made[guidance],
        year_levels=made[of_year[levels]],
        year_medial=made[of_year[medial]],
        year_lateral=made[of_year[lateral]],
        year_techniques=made[of_year[technique]],
        year_guidance=made[of_year[guidance]],
        directions={wall: made[question] for wall, question in walls.items()},
    )


def _change(ledger: Ledger, viewer: Viewer, spans: Spans) -> ComparisonTable | None:
    """Return the quarter less the one before; None where one of them has no placed screw."""
    both = replace(_of(ledger, spans.quarter), by=(Split.QUARTER,), start=spans.before.first)
    names = (spans.quarter.name, spans.before.name)
    try:
        return compare_groups(ledger, viewer, ComparisonQuestion(both, names, names[1]))
    except BadInputError:  # no screw is of one of the two groups
        return None


def _readers(ledger: Ledger, viewer: Viewer, asked: Quarter) -> Readers:
    found = compare_readers(ledger, viewer, AgreementAsked(asked.first, asked.last))
    return Readers(found.whole, tuple(sorted(found.pairs)), found.left_out)


def _work(ledger: Ledger, viewer: Viewer, asked: Quarter, now: datetime) -> Work:
    state = quarter_state(ledger, viewer, asked.name, now)
    with ledger.reading() as session:
        found = findings_of_quarter(session, asked)
    return Work(
        policy=tuple(
            PolicyItem(each.finding_id, each.level, each.side, each.rule_met, each.state)
            for each in found
        ),
        has_policy=bool(ledger.settings.policy_words),
        provisional=tuple(
            sorted(
                (Waiting(each.level, each.side, str(each.state)) for each in state.provisional),
                key=lambda each: (level(each.level).order, each.side, each.state),
            )
        ),
        second_reads=_second_reads(ledger, viewer, asked, now),
        surgeons=len(state.surgeons),
        answered=sum(each.answered_at is not None for each in state.surgeons),
        reply_until=state.round.closes_on if state.round else None,
    )


def _actions(ledger: Ledger, asked: Quarter, now: datetime) -> Actions:
    """Return the actions as they stood at the quarter's seal, or now where it has none.

    What comes of them later belongs into the next report, and changes no number of this one.
    """
    with ledger.reading() as session:
        until = seals.sealed_at(session, asked.name) or now
        found = agreed.agreed_actions(session, ZoneInfo(ledger.settings.zone), until)
    return Actions(from_last_time(found, asked), agreed_for(found, asked), until)


def _second_reads(
    ledger: Ledger, viewer: Viewer, asked: Quarter, now: datetime
) -> SecondReads | None:
    found = next(
        (
            each
            for each in second_readings(ledger, viewer, now).quarters
            if each.period == asked.name
        ),
        None,
    )
    if found is None:
        return None
    share = found.share_percent
    return SecondReads(
        first_readings=found.first_readings,
        share_percent=None if share is None else f"{share.normalize():f}",
        seed=found.seed,
        by_reason=tuple(
            (why, tally.asked, tally.done, tally.owed, tally.closed)
            for why, tally in found.by_reason.items()
        ),
    )
