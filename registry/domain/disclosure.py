"""What a viewer who may not see every surgeon may learn of rates: the rule in one place.

Who might work a colleague out is a colleague: they know their own screws, and from the theatre
list who operated when, at which levels and on how many screws; and they may ask any sequence of
questions. So nothing may depend on what was asked before, and what is shown together, over all
questions, must not give one other person's results.

1. Own screws are counted as they are, by every split and over any days.
2. Of the whole unit only counts of parts that were fixed beforehand are shown: the total of a
   settled quarter (with those after it in its year where it has too few others), and over a
   settled calendar year one split at a time. A longer period is a sum of those, and shows a
   stratum only where each of them does. Never two splits crossed, never other days, never intended
   exits left out (the difference would be the few screws with an intention).
   A quarter is settled when it is over and the window for the audit scan of its last day has
   passed; before, each new reading would tell its case by the change of a total.
3. A part is shown where at least `OTHERS_IN_A_PART` others, as responsible surgeons and as
   operators, have screws in it, none of whom took part in more than `LARGEST_SHARE` of them (the
   rules of a least number of contributors and of dominance), and where no sum and difference of it
   and the other parts shown is down to the screws of one other person (secondary suppression; by
   elimination in `reports.statistics.subtraction`). Counted once with the placed screws and once
   with the graded ones.
4. How screws lie within patients would tell whose they are (only one colleague puts ten screws in
   a patient), so of others' screws no patients with a breach, design effect or degrees of freedom;
   limits that know the unit's clustering are widened to whole per cent.
5. Peers are codes among at least `OTHERS_NEEDED` other surgeons with `POINT_SCREWS` graded screws.
   They have a rate and nothing else: the mean of `POINT_GROUP` neighbours (microaggregation), to
   the nearest `POINT_STEP`. `POINT_SCREWS` screws can come near every such step, so no volume is
   ruled out; who shares a figure can be exchanged without a change in any answer. Codes are drawn
   anew for each question.

The numbers are ours, without a source, but for the five others of point 5; the rules are those of:
Hundepool A et al. Handbook on Statistical Disclosure Control, version 1.2 (ESSNet SDC, 2010),
dominance with k = 85%; Federal Committee on Statistical Methodology. Statistical Policy Working
Paper 22 (1994), secondary suppression; Langsrud O (2024), doi:10.1007/978-3-031-69651-0_6,
secondary suppression by elimination; Laszlo M, Mukherjee S. J Syst Softw 2013;86:677-682,
microaggregation.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

OTHERS_NEEDED = 5
"""Peers are shown only among at least this many other surgeons."""

OTHERS_IN_A_PART = 3
LARGEST_SHARE = 0.85
POINT_SCREWS = 20
POINT_GROUP = 2
POINT_STEP = 0.05

_MONTHS_IN_QUARTER = 3
_LAST_QUARTER_STARTS = 10


@dataclass(frozen=True)
class FixedPeriod:
    """A period that may be asked about.

    Attributes
    ----------
    words : as people call it
    start, end : days of operation, both included; start None for all from the first case
    """

    words: str
    start: date | None
    end: date


def quarter_start(day: date) -> date:
    """Return the first day of a day's quarter.

    Parameters
    ----------
    day : any

    Returns
    -------
    date

    Examples
    --------
    >>> quarter_start(date(2026, 8, 20))
    datetime.date(2026, 7, 1)
    """
    month = day.month - (day.month - 1) % _MONTHS_IN_QUARTER
    return date(day.year, month, 1)


def quarter_end(day: date) -> date:
    """Return the last day of a day's quarter.

    Parameters
    ----------
    day : any

    Returns
    -------
    date

    Examples
    --------
    >>> quarter_end(date(2026, 11, 2))
    datetime.date(2026, 12, 31)
    """
    start = quarter_start(day)
    if start.month == _LAST_QUARTER_STARTS:
        return date(day.year, 12, 31)
    return date(day.year, start.month + _MONTHS_IN_QUARTER, 1) - timedelta(days=1)


def settled_until(today: date, window_last_day: int) -> date:
    """Return the last day of the last settled quarter.

    Parameters
    ----------
    today : the unit's own day
    window_last_day : last day after an operation on which an audit scan may be made

    Returns
    -------
    date : a quarter's last day; the window of an operation on it has passed

    Examples
    --------
    >>> settled_until(date(2026, 9, 28), 90), settled_until(date(2026, 9, 29), 90)
    (datetime.date(2026, 3, 31), datetime.date(2026, 6, 30))
    """
    closed = today - timedelta(days=window_last_day + 1)
    end = quarter_end(closed)
    return end if end <= closed else quarter_start(closed) - timedelta(days=1)


def year_settled_until(settled: date) -> date:
    """Return the last day of the last calendar year whose quarters are all settled.

    Parameters
    ----------
    settled : the last day of the last settled quarter

    Returns
    -------
    date : a 31 December
    """
    end = date(settled.year, 12, 31)
    return end if end <= settled else date(settled.year - 1, 12, 31)


def is_fixed(start: date | None, end: date, settled: date, *, is_split: bool) -> bool:
    """Return whether a period is a sum of the parts that were fixed beforehand.

    Parameters
    ----------
    start, end : days of operation, both included; start None for all from the first case
    settled : the last day of the last settled quarter
    is_split : whether years are needed, as for every split but that by quarter

    Returns
    -------
    bool

    Examples
    --------
    >>> settled = date(2026, 6, 30)
    >>> is_fixed(date(2026, 4, 1), settled, settled, is_split=False)
    True
    >>> is_fixed(date(2026, 4, 1), settled, settled, is_split=True)
    False
    """
    if is_split:
        begins = start is None or (start.month, start.day) == (1, 1)
        return begins and (end.month, end.day) == (12, 31) and end <= settled
    return (start is None or start == quarter_start(start)) and end == quarter_end(end) <= settled


def fixed_periods(first: date, settled: date) -> tuple[FixedPeriod, ...]:
    """Return the periods to offer, longest and latest first.

    Parameters
    ----------
    first : day of the first operation
    settled : the last day of the last settled quarter

    Returns
    -------
    tuple of FixedPeriod : empty before the first settled quarter

    Examples
    --------
    >>> [period.words for period in fixed_periods(date(2025, 9, 3), date(2026, 6, 30))]
    ['all up to 2026Q2', 'all up to 2025', '2025', '2026Q2', '2026Q1', '2025Q4', '2025Q3']
    """
    if first > settled:
        return ()
    quarters = []
    day = settled
    while day >= first:
        start = quarter_start(day)
        quarters.append(FixedPeriod(quarter_words(day), start, day))
        day = start - timedelta(days=1)
    year_end = year_settled_until(settled)
    years = [
        FixedPeriod(str(year), date(year, 1, 1), date(year, 12, 31))
        for year in range(year_end.year, first.year - 1, -1)
    ]
    whole = [FixedPeriod(f"all up to {quarter_words(settled)}", None, settled)]
    if years and year_end != settled:
        whole.append(FixedPeriod(f"all up to {year_end.year}", None, year_end))
    return (*whole, *years, *quarters)


def quarter_words(day: date) -> str:
    """Return a day's quarter, as in 2026Q3.

    Parameters
    ----------
    day : any

    Returns
    -------
    str
    """
    return f"{day.year}Q{(day.month + 2) // _MONTHS_IN_QUARTER}"


def peers_points(rates: Mapping[int, float]) -> dict[int, float]:
    """Return what is shown of each peer, or nothing where they are too few.

    Parameters
    ----------
    rates : by person, each a peer with at least `POINT_SCREWS` graded screws

    Returns
    -------
    dict : by person, the mean rate of neighbours to the nearest `POINT_STEP`, which each shares
        with at least `POINT_GROUP` - 1 others

    Examples
    --------
    >>> peers_points({1: 0.00, 2: 0.02, 3: 0.03, 4: 0.12, 5: 0.20})
    {1: 0.0, 2: 0.0, 3: 0.1, 4: 0.1, 5: 0.1}
    """
    if len(rates) < OTHERS_NEEDED:
        return {}
    ordered = sorted(rates, key=lambda person: (rates[person], person))
    starts = range(0, len(ordered) - POINT_GROUP + 1, POINT_GROUP)
    groups = [ordered[start : start + POINT_GROUP] for start in starts]
    groups[-1] = ordered[starts[-1] :]
    shown: dict[int, float] = {}
    for group in groups:
        mean = sum(rates[person] for person in group) / len(group)
        shown |= dict.fromkeys(group, round(round(mean / POINT_STEP) * POINT_STEP, 2))
    return shown
