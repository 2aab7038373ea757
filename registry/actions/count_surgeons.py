"""Surgeons beside one another: the funnel's points for the lead, the own point for a surgeon."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from registry.actions.count import limited_second_reading, limited_view
from registry.actions.count_limited import limited_rates
from registry.actions.count_second import second_reading_words
from registry.actions.person_codes import surgeon_codes
from registry.actions.whole_unit import whole_unit
from registry.domain.access import Deed, Reach, require
from registry.store.queries.imaging_reasons import imaging_reasons
from reports.statistics.case_mix import CaseMix
from reports.statistics.estimate import Estimate
from reports.statistics.funnel import ALARM, ALERT, funnel_limits
from reports.statistics.intervals import Interval
from reports.tables.case_mix_factors import expected_of
from reports.tables.case_mix_words import basis_words, expected_words
from reports.tables.rates import rates
from reports.tables.splits import Split
from reports.tables.surgeon_table import Expectation, SurgeonPoint, SurgeonTable, Widening
from reports.tables.surgeons import OVERALL, in_period, surgeons

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    import pandas as pd

    from registry.actions.count import LimitedView
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from reports.tables.rates import Question, RateRow, RateTable

_BY_SURGEON = (Split.SURGEON,)


def count_surgeons(
    ledger: Ledger,
    viewer: Viewer,
    question: Question,
    today: date | None = None,
    *,
    is_named: bool = False,
    widening: Widening = Widening.NONE,
) -> SurgeonTable:
    """Return the surgeons' points as far as a viewer may see them.

    Who may see every surgeon sees all, as codes unless `is_named`; a surgeon sees the own point,
    and lines and peers where the rule in `domain.disclosure` allows. Nobody else sees any.
    """
    asked = replace(question, by=_BY_SURGEON)
    if require(viewer, Deed.COMPARE_SURGEONS) is not Reach.ALL:
        view = limited_view(ledger, viewer, asked, today)
        made = _own_point(view, _reasons(ledger))
        return _with_words(made, limited_second_reading(view, made.rates))
    unit = whole_unit(ledger, viewer, question.end)
    reasons = _reasons(ledger)
    said = second_reading_words(unit, asked, may_see=True)
    labels = dict(unit.names)
    if not is_named:
        labels = surgeon_codes(ledger, viewer, question, labels)
    made = surgeons(
        unit.screws,
        asked,
        labels,
        expectation=expectation_of(unit.screws, question),
        imaging=_imaging(unit.screws, question, reasons),
        widening=widening,
    )
    return _with_words(made, said)


def _with_words(table: SurgeonTable, said: str) -> SurgeonTable:
    """Return a table that says what only some screws' second readings mean for it."""
    return replace(table, rates=replace(table.rates, second_reading=said))


def _reasons(ledger: Ledger) -> dict[int, str]:
    with ledger.reading() as session:
        return imaging_reasons(session, ledger.settings.audit_window_days)


def expectation_of(unit: pd.DataFrame, question: Question) -> Expectation | None:
    """Return what the case-mix model expects of each screw.

    Where the data cannot carry a model, or it tells no better than chance, it is the unit's
    overall rate, with the reason.
    """
    model, expected = expected_of(unit, question.event)
    if isinstance(model, CaseMix):
        return Expectation(expected, expected_words(model), basis_words(model))
    if np.isnan(expected).all():
        return None
    return Expectation(expected, f"{OVERALL} {model.reason}")


def _imaging(
    unit: pd.DataFrame, question: Question, reasons: Mapping[int, str]
) -> dict[int, dict[str, int]]:
    """Return each surgeon's cases of the period by their reason."""
    inside = unit["pedicle"].to_numpy(dtype=np.bool_) & in_period(unit, question)
    cases = unit[inside].drop_duplicates("case_id")
    found: dict[int, Counter[str]] = {}
    for surgeon, case in zip(cases["surgeon"], cases["case_id"], strict=True):
        found.setdefault(int(surgeon), Counter())[reasons.get(int(case), "not known")] += 1
    return {
        surgeon: dict(sorted(counts.items(), key=lambda item: (-item[1], item[0])))
        for surgeon, counts in found.items()
    }


def _own_point(view: LimitedView, reasons: Mapping[int, str]) -> SurgeonTable:
    """Return a surgeon's own point, with the lines and the peers that may be shown."""
    own = limited_rates(view.unit, view.asker, view.question)
    target = settled_target(view)
    said = list(own.withheld)
    if target is None:
        said.insert(0, NO_TARGET)
    imaging = _imaging(view.unit, view.question, reasons).get(view.asker.person or 0, {})
    points = tuple(replace(_own(row, view, own, target), imaging=imaging) for row in own.rows)
    if points and target is not None and points[0].limits_95 is None:
        said.append(_NO_LINES)
    said.append(_ALONE)
    return SurgeonTable(
        question=view.question,
        target=target,
        spread=None,
        widening=Widening.NONE,
        points=points,
        rates=own,
        expected_words=OVERALL,
        peers=own.peers,
        withheld=tuple(said),
    )


def settled_target(view: LimitedView) -> float | None:
    """Return the unit's overall rate of a period, where it may be shown; else None."""
    whole = limited_rates(view.unit, view.asker, replace(view.question, by=(), minimum=0))
    if whole.is_partial or not whole.rows or not whole.rows[0].graded:
        return None
    return whole.rows[0].breached / whole.rows[0].graded


def _own(row: RateRow, view: LimitedView, own: RateTable, target: float | None) -> SurgeonPoint:
    """Return the own point; its lines as whole per cent, outwards, as they know the clustering."""
    point = SurgeonPoint(
        code=row.stratum[Split.SURGEON],
        patients=row.patients,
        placed=row.placed,
        imaged=row.imaged,
        graded=row.graded,
        breached=row.breached,
        rate=Estimate(row.rate, row.low, row.high),
        patients_with_event=row.patients_with_event,
        patient_share=row.patient_share,
    )
    if row.rate is None or target is None:
        return point
    expected = target * row.graded
    quotient = Estimate(row.breached / expected) if expected else Estimate()
    point = replace(point, expected=expected, observed_over_expected=quotient)
    if row.low is None:  # the clustering of the unit may not be known
        return point
    is_own = (view.unit["surgeon"] == view.asker.person).to_numpy(dtype=np.bool_)
    size = rates(view.unit, own.question, visible=is_own, labels={
        view.asker.person or 0: view.asker.name}).rows[0].effective  # fmt: skip
    if size is None:
        return point
    inner, outer = (_outwards(funnel_limits(target, size, level)) for level in (ALERT, ALARM))
    return replace(point, limits_95=inner, limits_998=outer)


def _outwards(limits: Interval) -> Interval:
    return Interval(math.floor(100 * limits.low) / 100, math.ceil(100 * limits.high) / 100)


NO_TARGET = (
    "The unit's own rate of this period may not be shown to this account, so no line is drawn and "
    "nothing is expected: choose all that is settled, or a longer settled period."
)
_NO_LINES = (
    "Lines are not shown here: they would tell others' screws of the last weeks or of a small unit."
)
_ALONE = (
    "Lines are rounded outwards to whole per cent. How far surgeons lie apart, effective screws, "
    "limits of observed over expected and shrunken rates would tell of others and are shown to "
    "quality leads alone."
)
