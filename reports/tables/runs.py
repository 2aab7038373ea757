"""A run of screws in the order of their operations, for one surgeon or the whole unit.

Screws stand by day of operation, case, level from cranial to caudal, side and number. The charts
move on by whole operations, as screws of one patient are not independent.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.levels import LEVELS
from reports.statistics.clustered import clustered_interval
from reports.statistics.estimate import Estimate
from reports.statistics.funnel import ALARM, ALERT, funnel_limits
from reports.statistics.run_lengths import IN_CONTROL_SCREWS, operations, simulated_limit
from reports.statistics.sequential import (
    BETTER,
    EWMA_WEIGHT,
    WORSE,
    cusum,
    ewma,
    observed_minus_expected,
    scores,
    signals,
)
from reports.tables.rates import Question, rates
from reports.tables.run_table import Chart, PatientGroup, QuarterPoint, RunStep, RunTable
from reports.tables.splits import Split
from reports.tables.surgeons import in_period

if TYPE_CHECKING:
    from collections.abc import Collection

    import numpy.typing as npt
    import pandas as pd

    from reports.statistics.clustered import UnitClustering
    from reports.tables.surgeon_table import Expectation

    Mask = npt.NDArray[np.bool_]
    Floats = npt.NDArray[np.float64]

LEAST_OPERATIONS = 10
"""Below this no limit is simulated: too little is known of the sizes to come; ours."""
GROUP_PATIENTS, MOST_GROUPS = 20, 12
"""A learning curve's groups: of so many patients, larger where there would be more groups; ours."""

_ORDER = {item.code: item.order for item in LEVELS}


@dataclass(frozen=True)
class Setting:
    """What a run stands against.

    Attributes
    ----------
    target : proportion, or None
    clustering : that the intervals know
    rho : correlation within patients that the charts' limits know
    expectation : of each screw of the unit; None for the target itself
    """

    target: float | None
    clustering: UnitClustering
    rho: float
    expectation: Expectation | None = None


def run(
    unit: pd.DataFrame,
    question: Question,
    members: Mask,
    whose: str,
    setting: Setting,
    late: Collection[int] = (),
) -> RunTable:
    """Return the run of some of the unit's screws.

    `unit` is the frame of every counted screw up to the period's end; `members` says which are of
    the run; `late` are the screws with a grade that came, or was changed, after their quarter was
    settled. Screws of which nothing is expected are in the quarters and groups alone.
    """
    ordered = _in_order(unit, question, members)
    target, values = setting.target, None
    if target is not None:
        values = _expected_of(unit, ordered, setting)
        is_known = ~np.isnan(values)
        ordered, values = ordered[is_known], values[is_known]
    table = RunTable(question, whose, target)
    table = replace(table, groups=_groups(unit, question, members, setting.clustering))
    if values is None or not 0 < (target or 0) < 1 or ordered.empty:
        return table
    steps, charts = _steps(ordered, values, setting, late)
    return replace(
        table,
        steps=steps,
        worse=charts[0],
        better=charts[1],
        quarters=_quarters(unit, question, members, target or 0.0),
    )


def _in_order(unit: pd.DataFrame, question: Question, members: Mask) -> pd.DataFrame:
    """Return the graded screws of the run in their order, with their events."""
    event = question.event
    counted = (event.graded(unit) & unit["pedicle"]).to_numpy(dtype=np.bool_) & members
    counted = counted & in_period(unit, question)
    own = unit[counted].assign(
        event=event.breached(unit)[counted], order=unit["level"][counted].map(_ORDER)
    )
    return own.sort_values(["operated_on", "case_id", "order", "side", "number"], kind="stable")


def _expected_of(unit: pd.DataFrame, ordered: pd.DataFrame, setting: Setting) -> Floats:
    if setting.expectation is None:
        return np.full(len(ordered), setting.target or 0.0)
    places = unit.index.get_indexer(ordered.index)
    found: Floats = setting.expectation.shares[places]
    return found


def _steps(
    ordered: pd.DataFrame, expected: Floats, setting: Setting, late: Collection[int]
) -> tuple[tuple[RunStep, ...], tuple[Chart, Chart]]:
    """Return the operations in order with their charts."""
    events = ordered["event"].to_numpy(dtype=np.float64)
    cases = ordered["case_id"].to_numpy()
    starts = np.flatnonzero(np.append(True, cases[1:] != cases[:-1]))
    sizes = np.diff(np.append(starts, len(cases)))
    observed, hoped = np.add.reduceat(events, starts), np.add.reduceat(expected, starts)
    difference = observed_minus_expected(observed, hoped)
    is_late = np.logical_or.reduceat(ordered["screw_id"].isin(list(late)).to_numpy(), starts)
    days = ordered["operated_on"].dt.date.to_numpy()[starts]
    courses, charts = [], []
    for ratio in (WORSE, BETTER):
        without, having = scores(expected, ratio)
        course = cusum(np.add.reduceat(np.where(events > 0, having, without), starts))
        courses.append(course)
        charts.append(_chart(course, expected, cases, ratio, setting))
    steps = tuple(
        RunStep(
            number=place + 1,
            day=days[place],
            screws=int(sizes[place]),
            breached=int(observed[place]),
            expected=float(hoped[place]),
            difference=float(difference[place]),
            worse=float(courses[0][place]),
            better=float(courses[1][place]),
            is_late=bool(is_late[place]),
        )
        for place in range(len(starts))
    )
    return steps, (charts[0], charts[1])


def _chart(
    course: Floats, expected: Floats, cases: npt.NDArray[np.int64], ratio: float, setting: Setting
) -> Chart:
    """Return a chart's limit, simulated on operations of these sizes and risks, and its signals."""
    if len(course) < LEAST_OPERATIONS:
        return Chart(ratio, None, ())
    made = simulated_limit(operations(expected, cases, ratio), setting.rho, IN_CONTROL_SCREWS)
    found = tuple(place + 1 for place in signals(course, made.limit))
    return Chart(ratio, made, found)


def _quarters(
    unit: pd.DataFrame, question: Question, members: Mask, target: float
) -> tuple[QuarterPoint, ...]:
    """Return the quarters with the funnel's limits and the moving average, in order."""
    found = rates(unit, replace(question, by=(Split.QUARTER,)), visible=members).rows
    counted = [row for row in found if row.graded and row.effective]
    shares = np.array([row.breached / row.graded for row in counted])
    sizes = np.array([row.effective or 1.0 for row in counted])
    averages, deviations = ewma(shares, target * (1 - target) / sizes, target, EWMA_WEIGHT)
    points = []
    for row, average, deviation in zip(counted, averages, deviations, strict=True):
        is_shown = row.rate is not None
        points.append(
            QuarterPoint(
                row=row,
                limits_95=funnel_limits(target, row.effective or 1.0, ALERT) if is_shown else None,
                limits_998=funnel_limits(target, row.effective or 1.0, ALARM) if is_shown else None,
                average=float(average),
                average_low=max(0.0, target - 3 * float(deviation)),
                average_high=min(1.0, target + 3 * float(deviation)),
            )
        )
    return tuple(points)


def _groups(
    unit: pd.DataFrame, question: Question, members: Mask, clustering: UnitClustering
) -> tuple[PatientGroup, ...]:
    """Return successive patients from the first of the ledger on, whatever the first day asked."""
    ordered = _in_order(unit, replace(question, start=None), members)
    if ordered.empty:
        return ()
    made = ordered.groupby("patient", sort=False).agg(
        day=("operated_on", "first"), size=("event", "size"), events=("event", "sum")
    )
    size = max(GROUP_PATIENTS, -(-len(made) // MOST_GROUPS))
    groups = []
    for first in range(0, len(made), size):
        part = made.iloc[first : first + size]
        result = clustered_interval(
            part["events"].to_numpy(dtype=np.int64), part["size"].to_numpy(), clustering
        )
        screws = int(part["size"].sum())
        is_shown = screws >= question.minimum
        groups.append(
            PatientGroup(
                first=first + 1,
                last=first + len(part),
                start=part["day"].iloc[0].date(),
                end=part["day"].iloc[-1].date(),
                screws=screws,
                breached=int(part["events"].sum()),
                rate=Estimate(result.rate, result.interval.low, result.interval.high)
                if is_shown
                else Estimate(),
            )
        )
    return tuple(groups)
