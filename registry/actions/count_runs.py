"""Runs of screws over time: any surgeon's or the unit's for the lead, the own run for a surgeon."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from registry.actions.count import limited_view
from registry.actions.count_limited import has_pooled
from registry.actions.count_second import second_reading_words
from registry.actions.count_surgeons import NO_TARGET, expectation_of, settled_target
from registry.actions.whole_unit import whole_unit
from registry.domain.access import Deed, Reach, require
from registry.domain.disclosure import quarter_end, settled_until
from registry.domain.problems import BadInputError, Fault, NotAllowedError, NotFoundError
from registry.store.queries.counted_screws import surgeons_with_placed
from registry.store.queries.imaging_reasons import last_read_days
from registry.store.queries.people import all_person_names
from reports.statistics.patient_sums import PRIOR_RHO
from reports.tables.quarters_before import expected_from_before
from reports.tables.rate_words import percent
from reports.tables.rates import rates
from reports.tables.run_table import RunTable
from reports.tables.runs import Setting, run
from reports.tables.splits import Split

if TYPE_CHECKING:
    from datetime import date

    import pandas as pd

    from registry.actions.count import LimitedView
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from reports.tables.rates import Question

WHOLE_UNIT = "the whole unit"
_RHO_STEP = 0.05


@dataclass(frozen=True)
class Whose:
    """Whose run may be asked for: a person's id and name."""

    person: int
    name: str


def runs_offered(ledger: Ledger, viewer: Viewer) -> tuple[Whose, ...] | None:
    """Return the surgeons whose runs may be chosen, by name; None for who has only their own."""
    if require(viewer, Deed.COMPARE_SURGEONS) is not Reach.ALL:
        return None
    with ledger.reading() as session:
        names = all_person_names(session)
        named = [Whose(person, names[person]) for person in surgeons_with_placed(session)]
    return tuple(sorted(named, key=lambda each: (each.name.casefold(), each.person)))


def count_run(
    ledger: Ledger,
    viewer: Viewer,
    question: Question,
    person: int | None = None,
    today: date | None = None,
) -> RunTable:
    """Return a run as far as a viewer may see it.

    `person` is the responsible surgeon, None for the whole unit; who may not see every surgeon
    gets the own run, and another's is refused.
    """
    if require(viewer, Deed.COMPARE_SURGEONS) is not Reach.ALL:
        return _own_run(ledger, viewer, question, person, today)
    unit = whole_unit(ledger, viewer, question.end)
    members = np.ones(len(unit.screws), dtype=np.bool_)
    whose = WHOLE_UNIT
    if person is not None:
        members = (unit.screws["surgeon"] == person).to_numpy(dtype=np.bool_)
        if person not in unit.names:
            raise NotFoundError("there is no such surgeon")
        whose = unit.names[person]
    whole = rates(unit.screws, replace(question, by=(), start=None))
    row, pooled = whole.rows[0], whole.unit
    if pooled is None or not row.graded:
        return RunTable(question, whose, None, withheld=("No screw is graded yet.",))
    expectation = expectation_of(unit.screws, question)
    if expectation is not None and person is None:
        expectation = expected_from_before(unit.screws, question, expectation)
    setting = Setting(
        target=row.breached / row.graded,
        clustering=pooled,
        rho=pooled.pooled_rho,
        expectation=expectation,
    )
    made = run(unit.screws, question, members, whose, setting, _late(ledger, unit.screws))
    words = (
        "Limits: for operations of the sizes of this run, with what is expected of each, and the "
        f"unit's correlation within patients ({setting.rho:.3f}). Quarters and groups stand "
        f"against the unit's rate over all operations up to the period's end "
        f"({percent(setting.target or 0.0)}%)."
    )
    return replace(
        made,
        expected_words=expectation.words if expectation else "",
        limit_words=words,
        second_reading=second_reading_words(unit, replace(question, by=()), may_see=True),
    )


def _own_run(
    ledger: Ledger, viewer: Viewer, question: Question, person: int | None, today: date | None
) -> RunTable:
    """Return a surgeon's own run against the unit's settled rate, where that may be shown."""
    if person not in {None, viewer.person_id}:
        raise NotAllowedError(f"{viewer.name} may not see another surgeon's run")
    by_surgeon = replace(question, by=(Split.SURGEON,))
    settled = limited_view(ledger, viewer, replace(by_surgeon, start=None, end=None), today)
    whole = limited_view(ledger, viewer, replace(by_surgeon, end=question.end or today), today)
    is_own = (whole.unit["surgeon"] == whole.asker.person).to_numpy(dtype=np.bool_)
    own_unit = whole.counted.where(is_own)
    own = own_unit.screws
    target = settled_target(settled)
    rho, rho_words = _coarse_rho(settled)
    pooled = rates(own, replace(question, by=())).unit
    if pooled is None:
        raise AssertionError
    setting = Setting(target=target, clustering=pooled, rho=rho)
    members = np.ones(len(own), dtype=np.bool_)
    made = run(own, question, members, whole.asker.name, setting, _late(ledger, own))
    said = second_reading_words(own_unit, whole.question, may_see=False)
    made = replace(made, second_reading=said)
    if target is None:
        return replace(made, withheld=(NO_TARGET, _OWN_INTERVALS))
    end = settled.question.end
    return replace(
        made,
        expected_words=(
            f"Expected of each screw: the unit's rate over all that is settled, up to {end} "
            f"({percent(target)}%), without regard to patient and pedicle."
        ),
        limit_words=f"Limits: for operations of the sizes of this run, at that rate {rho_words}.",
        withheld=(_OWN_INTERVALS,),
    )


def _coarse_rho(settled: LimitedView) -> tuple[float, str]:
    """Return the correlation for the limit: the unit's, rounded up, where it may be known."""
    if has_pooled(settled.unit, settled.asker, settled.question):
        found = rates(settled.unit, replace(settled.question, by=(), start=None)).unit
        if found is not None:
            rho = math.ceil(round(found.pooled_rho / _RHO_STEP, 6)) * _RHO_STEP
            return rho, f"and the unit's correlation within patients, rounded up to {rho:.2f}"
    return PRIOR_RHO, f"and an assumed correlation within patients of {PRIOR_RHO:.2f}"


_OWN_INTERVALS = "The intervals of quarters and groups know the clustering of own patients alone."


def _late(ledger: Ledger, screws: pd.DataFrame) -> frozenset[int]:
    """Return the screws whose last counted reading was made after their quarter was settled."""
    window = ledger.settings.audit_window_days
    with ledger.reading() as session:
        days = last_read_days(session, window)
    settled = {read: settled_until(read, window[1]) for read in set(days.values())}
    ends = {day: quarter_end(day) for day in set(screws["operated_on"].dt.date)}
    late = set()
    for screw, operated in zip(screws["screw_id"], screws["operated_on"].dt.date, strict=True):
        read = days.get(int(screw))
        if read is not None and settled[read] >= ends[operated]:
            late.add(int(screw))
    return frozenset(late)


def run_named(ledger: Ledger, viewer: Viewer, name: str | None) -> int | None:
    """Return the surgeon of a name whose run may be asked for; None where none is named."""
    if name is None:
        return None
    offered = runs_offered(ledger, viewer)
    if offered is None:
        raise NotAllowedError(f"{viewer.name} sees the own run alone; leave the surgeon out")
    found = [whose.person for whose in offered if whose.name.casefold() == name.strip().casefold()]
    if len(found) != 1:
        known = ", ".join(whose.name for whose in offered)
        told = "several surgeons go by" if found else "there is no surgeon"
        raise BadInputError(Fault(f"{told} {name[:60]!r}", "--surgeon", f"use one of {known}"))
    return found[0]
