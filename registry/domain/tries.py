"""How many wrong tries are taken before the next has to wait; pure, the instants handed in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

_QUARTER = timedelta(minutes=15)
_MOST_DOUBLINGS = 20


@dataclass(frozen=True)
class Limit:
    """How many wrong tries are taken, and how long the next then waits.

    Attributes
    ----------
    allowed : wrong tries within `within` that cost no wait
    within : how long a wrong try counts
    first_wait : after the last of the allowed tries; doubles with each further one
    longest_wait : no wait grows beyond it, so that nobody is locked out for ever
    """

    allowed: int
    within: timedelta
    first_wait: timedelta
    longest_wait: timedelta = _QUARTER


NAME_FROM_ADDRESS = Limit(10, _QUARTER, _QUARTER)
"""One name tried from one address."""

NAME = Limit(30, timedelta(hours=24), timedelta(seconds=4))
"""One name tried from anywhere; not for a browser that has signed in to it before."""

ADDRESS = Limit(50, _QUARTER, _QUARTER)
"""Any names, and invitations, tried from one address."""

KNOWN_BROWSER = Limit(10, _QUARTER, _QUARTER)
"""A browser that has signed in to this account before; nobody else's tries count against it."""

CONFIRMATION = Limit(5, _QUARTER, _QUARTER)
"""The password asked again within a session; the session ends with the last try."""

LONGEST_MEMORY = max(
    limit.within for limit in (NAME_FROM_ADDRESS, NAME, ADDRESS, KNOWN_BROWSER, CONFIRMATION)
)
"""How long a wrong try is kept at all."""


def open_again(limit: Limit, failures: Iterable[datetime], now: datetime) -> datetime | None:
    """Return when the next try is taken, or None where it is taken now.

    Parameters
    ----------
    limit : that holds
    failures : instants of wrong tries, aware, any order
    now : aware instant

    Returns
    -------
    aware instant after `now`, or None

    Examples
    --------
    >>> from datetime import UTC
    >>> noon = datetime(2026, 3, 2, 12, tzinfo=UTC)
    >>> open_again(NAME_FROM_ADDRESS, [noon] * 9, noon) is None
    True
    >>> f"{open_again(NAME_FROM_ADDRESS, [noon] * 10, noon):%H:%M}"
    '12:15'
    """
    counted = [at for at in failures if at > now - limit.within]
    beyond = len(counted) - limit.allowed
    if beyond < 0 or not counted:
        return None
    wait = min(limit.longest_wait, limit.first_wait * 2 ** min(beyond, _MOST_DOUBLINGS))
    opens = max(counted) + wait
    return opens if opens > now else None
