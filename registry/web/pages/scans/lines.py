"""What came in, in words: how far each is, and what was left out of it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from registry.domain.arrivals import ArrivalSource, ArrivalState

if TYPE_CHECKING:
    from collections.abc import Iterable

    from registry.actions.arrivals import Arrival

_MEGABYTE = 1_000_000
_BY_A_PERSON = ArrivalSource.UPLOAD
_SOURCES = {
    ArrivalSource.UPLOAD: "sent up by {}",
    ArrivalSource.RECEIVER: "sent by an archive",
    ArrivalSource.ARCHIVE: "fetched from an archive by {}",
}


class Group(StrEnum):
    """Which part of the list something stands in."""

    WAITING = "Waiting for a person"
    UNDER_WAY = "Being received or read"
    ENDED = "Ended"


@dataclass(frozen=True)
class Line:
    """One line of the list.

    Attributes
    ----------
    source : in words
    size : of all files, in words
    how_far : what is done with it, or what became of it
    """

    arrival: Arrival
    group: Group
    source: str
    size: str
    how_far: str


def group_of(arrival: Arrival) -> Group:
    """Return the part of the list that it belongs to."""
    if arrival.state.is_ended:
        return Group.ENDED
    return Group.WAITING if arrival.state.waits_for_a_person else Group.UNDER_WAY


def goes_on_by_itself(arrival: Arrival) -> bool:
    """Say whether its page is to be followed: no person is waited for."""
    is_sent_here = arrival.state is ArrivalState.RECEIVING and arrival.source is _BY_A_PERSON
    return group_of(arrival) is Group.UNDER_WAY and not is_sent_here


def lines_of(arrivals: Iterable[Arrival]) -> list[Line]:
    """Return the list: what waits for a person on top, then what is under way, then what ended."""
    lines = [line_of(each) for each in arrivals]
    order = list(Group)
    return sorted(lines, key=lambda line: order.index(line.group))


def line_of(arrival: Arrival) -> Line:
    """Return what is said of one of them."""
    return Line(
        arrival,
        group_of(arrival),
        _SOURCES[arrival.source].format(arrival.opened_by),
        size_words(arrival.size_bytes),
        how_far(arrival),
    )


def how_far(arrival: Arrival) -> str:
    """Return what is being done with it, how much of that is done, or what became of it."""
    done = f": {arrival.done} of {arrival.total}" if arrival.total else ""
    match arrival.state:
        case ArrivalState.RECEIVING:
            return f"files are coming in: {arrival.files} so far"
        case ArrivalState.RECEIVED:
            return f"being looked through{done} files" if done else "waiting to be looked through"
        case ArrivalState.LOOKED_THROUGH:
            return f"looked through{_what_lies_there(arrival)}; say whose it is"
        case ArrivalState.TO_BE_READ:
            return f"being read{done} slices" if done else "waiting to be read"
        case ArrivalState.READ:
            return "read"
    return arrival.message or arrival.state.value


def _what_lies_there(arrival: Arrival) -> str:
    survey = arrival.survey
    if survey is None or not any(each.is_readable for each in survey.series):
        return ": nothing to read as it is"
    if survey.chosen is None:
        return ": several series, none proposed"
    chosen = survey.one(survey.chosen)
    day = f" of {chosen.acquired_on}" if chosen and chosen.acquired_on else ""
    return f": {chosen.kind if chosen else ''}{day}"


def size_words(size: int) -> str:
    """Return a number of bytes in megabytes, to a tenth under ten."""
    megabytes = size / _MEGABYTE
    return f"{megabytes:.1f} MB" if megabytes < 10 else f"{megabytes:.0f} MB"  # noqa: PLR2004
