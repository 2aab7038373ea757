"""Rates: the one path from the ledger's rows to the digits of page, command and export."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from registry.actions.count_limited import (
    Asker,
    limited_rates,
    own_screws,
    persons_of,
    settled_question,
)
from registry.actions.count_second import second_reading_words
from registry.actions.counted_unit import counted_unit
from registry.domain.access import Deed, Reach, Role, Viewer, reach, require
from registry.domain.disclosure import fixed_periods, settled_until
from registry.domain.problems import BadInputError, Fault, NotAllowedError
from registry.store.queries.counted_screws import first_operation, participants
from reports.tables.rates import Pooled, Question, RateTable, rates
from reports.tables.splits import Split

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    import numpy.typing as npt
    import pandas as pd

    from registry.actions.counted_unit import CountedUnit
    from registry.domain.disclosure import FixedPeriod
    from registry.store.home import Ledger


def count_rates(
    ledger: Ledger,
    viewer: Viewer,
    question: Question,
    today: date | None = None,
    own: Split | None = None,
) -> RateTable:
    """Return the rates that a viewer asked for, as far as they may see them.

    Who may not see every surgeon is told of others only what is settled (`domain.disclosure`):
    `today` is the unit's day, without which nothing is. Without a last day they are answered up to
    the last settled one. `own` leaves their own screws, as responsible surgeon or as operator.
    """
    require(viewer, Deed.SEE_RATES)
    if reach(viewer, Deed.SEE_SURGEONS) is Reach.ALL:
        if own is not None:
            mend = "leave it out, and ask by surgeon or operator"
            raise BadInputError(Fault("this account sees every surgeon's screws", "own", mend))
        return count_whole(ledger, viewer, [question])[0]
    return count_limited(limited_view(ledger, viewer, question, today, own))


def count_limited(view: LimitedView) -> RateTable:
    """Return the rates that a view is of, with what second readings mean for them."""
    table = limited_rates(view.unit, view.asker, view.question, view.own)
    return replace(table, second_reading=limited_second_reading(view, table))


def count_whole(ledger: Ledger, viewer: Viewer, questions: Sequence[Question]) -> list[RateTable]:
    """Return the rates of many questions, to who may see every surgeon and to nobody else.

    The ledger is read once, and what was asked of the same state of it before is not counted again.
    """
    require(viewer, Deed.SEE_SURGEONS, at_least=Reach.ALL)
    unit = counted_unit(ledger)
    # Looked up once: another thread may clear the answers meanwhile.
    kept = ((each, unit.answers.get(each)) for each in questions)
    found = {each: table for each, table in kept if table is not None}
    new = [each for each in dict.fromkeys(questions) if each not in found]
    parts = {end: unit.until(end) for end in {each.end for each in new}}
    pools = {
        (each.event, each.end): Pooled.of(parts[each.end].screws, each)
        for each in {(each.event, each.end): each for each in new}.values()
    }
    for each in new:
        part, pooled = parts[each.end], pools[each.event, each.end]
        table = rates(part.screws, each, labels=unit.names, pooled=pooled)
        said = second_reading_words(part, each, may_see=True)
        found[each] = replace(table, second_reading=said)
    unit.keep_answers({each: found[each] for each in new})
    return [found[each] for each in questions]


@dataclass(frozen=True)
class LimitedView:
    """What who may not see every surgeon is answered from; none of it is shown as it is.

    Attributes
    ----------
    question : with its last day, where none was given
    asker : who asks
    counted : the screws up to that day
    own : as whom the asker's own screws alone are asked for; None for what the question's splits
        leave
    """

    question: Question
    asker: Asker
    counted: CountedUnit
    own: Split | None = None

    @property
    def unit(self) -> pd.DataFrame:
        """The screws up to that day, as a frame."""
        return self.counted.screws


def limited_view(
    ledger: Ledger,
    viewer: Viewer,
    question: Question,
    today: date | None,
    own: Split | None = None,
) -> LimitedView:
    """Return what the parts that may be shown are taken from; refuses persons to who sees none."""
    persons = persons_of(question, own)
    _refuse_persons(viewer, persons)
    settled = _settled(ledger, today)
    with ledger.reading() as session:
        first = first_operation(session)
        teams = participants(session) if Role.SURGEON in viewer.roles else {}
    asked = settled_question(question, first, settled, own)
    counted = counted_unit(ledger, asked.end)
    asker = Asker(
        person=viewer.person_id,
        name=counted.names.get(viewer.person_id or 0, "own"),
        sees_peers=Role.SURGEON in viewer.roles,
        known=_known(counted.screws, viewer.person_id, teams),
        settled=settled,
        key=b"|".join([ledger.keys.references, b"peers", str(viewer.account_id).encode()]),
    )
    return LimitedView(asked, asker, counted, own)


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
    persons = persons_of(shown.question, view.own)
    counted = view.counted
    if not shown.peers and (persons or not shown.rows):
        own = own_screws(view.unit, view.asker, persons)
        counted = counted.where(own if persons else np.zeros(len(own), dtype=np.bool_))
    return second_reading_words(counted, view.question, may_see=False)


def _settled(ledger: Ledger, today: date | None) -> date | None:
    """Return the last settled day."""
    return settled_until(today, ledger.settings.audit_window_days[1]) if today else None


def _refuse_persons(viewer: Viewer, persons: frozenset[Split]) -> None:
    """Refuse a split by persons to who may not see even their own row of it."""
    if not persons:
        return
    if reach(viewer, Deed.SEE_SURGEONS) is Reach.NONE or viewer.person_id is None:
        raise NotAllowedError(f"{viewer.name} may not see rates by person")
    # A registrar may also be an operator, but sees no surgeons.
    if Role.SURGEON not in viewer.roles and Split.SURGEON in persons:
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
