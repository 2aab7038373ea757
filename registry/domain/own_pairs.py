"""What a reader may learn of how their readings agree with others': the rule in one place.

No reader learns which of their readings was the second, nor what another found of one screw. So
only sums are shown, over pairs whose later reading was saved in a quarter that is over (nothing is
added to it any more), quarter after quarter from the first, and each step that the sums grow by
holds at least `OWN_PAIRS` pairs, so that two looks, before and after, differ by as many. No cell of
a table, nobody's name, and figures rounded to `OWN_STEP`; nothing within a step of an end, where a
share would say of every pair what the other found. The numbers are ours, without a source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.disclosure import quarter_end

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

OWN_PAIRS = 10
OWN_STEP = 0.05


def coarse_share(value: float) -> float:
    """Return a share, or a kappa, as it is shown: in steps, and never at an end.

    Parameters
    ----------
    value : at most 1

    Examples
    --------
    >>> coarse_share(0.83), coarse_share(1.0), coarse_share(0.01)
    (0.85, 0.95, 0.05)
    """
    rounded = round(round(value / OWN_STEP) * OWN_STEP, 2)
    return min(max(rounded, OWN_STEP), 1 - OWN_STEP)


def shown_until(days: Iterable[date], today: date, least: int = OWN_PAIRS) -> date | None:
    """Return the last day up to which a reader's own pairs are shown; None for none.

    Parameters
    ----------
    days : of each pair, the day on which the later of its readings was saved
    today : the unit's own day
    least : how many pairs each step holds

    Returns
    -------
    date : a quarter's last day, before `today`

    Examples
    --------
    >>> from datetime import date
    >>> days = [date(2026, 1, 5)] * 9 + [date(2026, 4, 5)] * 4 + [date(2026, 7, 5)] * 9
    >>> shown_until(days, date(2026, 11, 1))
    datetime.date(2026, 6, 30)
    """
    shown, waiting = None, 0
    ends = [quarter_end(day) for day in days]
    for end in sorted(set(ends)):
        if end >= today:
            break
        waiting += ends.count(end)
        if waiting >= least:
            shown, waiting = end, 0
    return shown
