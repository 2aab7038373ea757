"""What differs between the numbers that were sealed and those of now: where, old and new."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from reports.documents.flat_tables import FlatTable

if TYPE_CHECKING:
    from collections.abc import Iterator

ABOUT_THE_MAKING = frozenset({"made_at", "versions"})
"""Parts of a report that say when and with what it was made, and are no numbers of it."""

Change = tuple[str, str, str]
"""Where, as it was sealed, as it is now; an empty text where there is nothing."""


def numbers_alone(document: Mapping[str, object]) -> dict[str, object]:
    """Return a report's JSON without when and with what it was made."""
    return {name: held for name, held in document.items() if name not in ABOUT_THE_MAKING}


def changes(sealed: Mapping[str, object], now: Mapping[str, object]) -> list[Change]:
    """Return every value of two reports' JSON that is not the same, in the order of its place.

    A part that reports did not have yet when the first was sealed is no change of it.

    Examples
    --------
    >>> changes({"placed": 8, "made_at": "then"}, {"placed": 9, "made_at": "now"})
    [('placed', '8', '9')]
    """
    before = dict(_leaves("", numbers_alone(sealed)))
    after = dict(_leaves("", {name: now[name] for name in numbers_alone(now) if name in sealed}))
    return [
        (place, before.get(place, ""), after.get(place, ""))
        for place in sorted(before.keys() | after.keys())
        if before.get(place) != after.get(place)
    ]


def changes_table(found: list[Change]) -> FlatTable:
    """Return the changes as a table of a report."""
    return FlatTable("changes", ("where", "sealed", "now"), tuple(found))


def _leaves(place: str, value: object) -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping):
        for name, held in value.items():
            yield from _leaves(f"{place}.{name}" if place else str(name), held)
    elif isinstance(value, list):
        for number, held in enumerate(value):
            yield from _leaves(f"{place}[{number}]", held)
    else:
        yield place, "" if value is None else str(value)
