"""Rates: the one path from the ledger's rows to the digits of page, command and export."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from registry.actions.count_limited import Asker, limited_rates, settled_question
from registry.actions.count_second import many_second_reading_words, second_reading_words
from registry.actions.whole_unit import screw_row
from registry.domain.access import Deed, Reach, Role, Viewer, reach, require
from registry.domain.disclosure import fixed_periods, settled_until
from registry.domain.problems import NotAllowedError
from registry.store.queries.counted_screws import counted_screws, first_operation, participants
from registry.store.queries.people import all_person_names
from registry.store.queries.second_reads import second_reads
from reports.frame import frame
from reports.tables.rates import Question, RateTable, rates
from reports.tables.splits import PERSONS, Split

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    import numpy.typing as npt
    import pandas as pd

    from registry.domain.disclosure import FixedPeriod
    from registry.store.home import Ledger
    from registry.store.queries.second_reads import SecondRead
    from reports.frame import ScrewRow


def count_rates(
    ledger: Ledger, viewer: Viewer, question: Question, today: date | None = None
) -> RateTable:
    """Return the rates that a viewer asked for, as far as they may see them.

    Who may not see every surgeon is told of others only what is settled (`domain.disclosure`):
    `today` is the unit's day, without which nothing is. Without a last day they are answered up to
    the last settled one.
    """
    require(viewer, Deed.SEE_RATES)
    if reach(viewer, Deed.SEE_SURGEONS) is Reach.ALL:
        return count_whole(ledger, viewer, [question])[0]
    view = limited_view(ledger, viewer, question, today)
    table = limited_rates(view.unit, view.asker, view.question)
    return replace(table, second_reading=limited_second_reading(view, table))


def count_whole(ledger: Ledger, viewer: Viewer, questions: Sequence[Question]) -> list[RateTable]:
    """Return the rates of many questions, to who may see every surgeon and to nobody else.

    The ledger is read once for all questions with the same last day.
    """
    require(viewer, Deed.SEE_SURGEONS, at_least=Reach.ALL)
    window = ledger.settings.audit_window_days
    with ledger.reading() as session:
        screws = {
            end: counted_screws(session, window, end) for end in {each.end for each in questions}
        }
        names = all_person_names(session)
        reads = second_reads(session, ledger.settings)
    made: dict[Question, RateTable] = {}
    for end, found in screws.items():
        asked = [each for each in questions if each.end == end]
        rows = [screw_row(screw) for screw in found]
        unit = frame(rows)
        words = many_second_reading_words(rows, reads, asked, may_see=True, unit=unit)
        for question, said in zip(asked, words, strict=True):
            made[question] = replace(rates(unit, question, labels=names), second_reading=said)
    return [made[question] for question in questions]


@dataclass(frozen=True)
class LimitedView:
    """What who may not see every surgeon is answered from; none of it is shown as it is.

    Attributes
    ----------
    question : with its last day, where none was given
    asker : who asks
    unit, rows, reads : the screws up to that day, as frame and as rows, and their second readings
    """

    question: Question
    asker: Asker
    unit: pd.DataFrame
    rows: Sequence[ScrewRow]
    reads: Mapping[int, SecondRead]


def limited_view(
    ledger: Ledger, viewer: Viewer, question: Question, today: date | None
) -> LimitedView:
    """Return what the parts that may be shown are taken from; refuses persons to who sees none."""
    _refuse_persons(viewer, question)
    settled = _settled(ledger, today)
    with ledger.reading() as session:
        first = first_operation(session)
        asked = settled_question(question, first, settled)
        screws = counted_screws(session, ledger.settings.audit_window_days, asked.end)
        names = all_person_names(session)
        teams = participants(session) if Role.SURGEON in viewer.roles else {}
        reads = second_reads(session, ledger.settings)
    rows = [screw_row(screw) for screw in screws]
    unit = frame(rows)
    asker = Asker(
        person=viewer.person_id,
        name=names.get(viewer.person_id or 0, "own"),
        sees_peers=Role.SURGEON in viewer.roles,
        known=_known(unit, viewer.person_id, teams),
        settled=settled,
        key=b"|".join([ledger.keys.references, b"peers", str(viewer.account_id).encode()]),
    )
    return LimitedView(asked, asker, unit, rows, reads)


@dataclass(frozen=True)
class PeriodsOffered:
    """What a viewer may choose from.

    Attributes
    ----------
    periods : that hold counts of the whole unit
    today : up to which own screws are counted
    """

    periods: tuple[FixedPeriod, ...]
    today: date


def periods_offered(ledger: Ledger, viewer: Viewer, today: date) -> PeriodsOffered | None:
    """Return the periods to offer to a viewer; None for who may ask about any."""
    if require(viewer, Deed.SEE_RATES) and reach(viewer, Deed.SEE_SURGEONS) is Reach.ALL:
        return None
    with ledger.reading() as session:
        first = first_operation(session)
    settled = _settled(ledger, today)
    periods = fixed_periods(first, settled) if first and settled else ()
    return PeriodsOffered(periods, today)


def limited_second_reading(view: LimitedView, shown: RateTable) -> str:
    """Return what second readings mean for a table, from no other screws than it counts.

    Whether all screws of a day were read twice would tell of a colleague's that the rule asked
    for a second reading, or did not: that it was near a cut-off, or was not.
    """
    persons = PERSONS & set(shown.question.by)
    if shown.peers or (shown.rows and not persons):
        rows = view.rows
    else:
        own = view.asker.person
        rows = [
            row
            for row in view.rows
            if persons and all(getattr(row, split.value) == own for split in persons)
        ]
    unit = view.unit if rows is view.rows else None
    return second_reading_words(rows, view.reads, view.question, may_see=False, unit=unit)


def _settled(ledger: Ledger, today: date | None) -> date | None:
    """Return the last settled day."""
    return settled_until(today, ledger.settings.audit_window_days[1]) if today else None


def _refuse_persons(viewer: Viewer, question: Question) -> None:
    """Refuse a split by persons to who may not see even their own row of it."""
    if not PERSONS & set(question.by):
        return
    if reach(viewer, Deed.SEE_SURGEONS) is Reach.NONE or viewer.person_id is None:
        raise NotAllowedError(f"{viewer.name} may not see rates by person")
    # A registrar may also be an operator, but sees no surgeons.
    if Role.SURGEON not in viewer.roles and Split.SURGEON in question.by:
        raise NotAllowedError(f"{viewer.name} may not see rates by surgeon; ask by operator")


def _known(
    unit: pd.DataFrame, person: int | None, teams: dict[int, frozenset[int]]
) -> npt.NDArray[np.bool_]:
    """Return the screws whose results a viewer has seen: own ones, and a surgeon's own cases'."""
    if person is None:
        return np.zeros(len(unit), dtype=np.bool_)
    own = (unit["surgeon"] == person) | (unit["operator"] == person).fillna(value=False)
    seen = unit["case_id"].isin([case for case, team in teams.items() if person in team])
    return (own | seen).to_numpy(dtype=np.bool_)
