"""What differs between the numbers that were sealed and those of now: where, old and new."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import TYPE_CHECKING

from reports.documents.flat_tables import FlatTable
from reports.documents.setting_words import setting_rows

if TYPE_CHECKING:
    from collections.abc import Iterator

ABOUT_THE_MAKING = frozenset({"made_at", "versions"})
"""Parts of a report that say when and with what it was made, and are no numbers of it."""

_NAMED_BY_RECORDS = frozenset({"not compared"})
"""Parts whose names are reasons that records gave, so that a new one is no new kind of number."""

Place = tuple[str, ...]

Change = tuple[str, str, str]
"""What in words, as it was sealed, as it is now; an empty text where there is nothing."""


def numbers_alone(document: Mapping[str, object]) -> dict[str, object]:
    """Return a report's JSON without when and with what it was made."""
    return {name: held for name, held in document.items() if name not in ABOUT_THE_MAKING}


def changes(sealed: Mapping[str, object], now: Mapping[str, object]) -> list[Change]:
    """Return every value of two reports' JSON that is not the same, in the order of its place.

    What is `new_since` the first is no change of it.

    Examples
    --------
    >>> changes({"placed": 8, "made_at": "then"}, {"placed": 9, "made_at": "now"})
    [('placed', '8', '9')]
    """
    before, after, fresh = _compared(sealed, now)
    return [
        (place, before.get(place, ""), after.get(place, ""))
        for place in sorted((before.keys() | after.keys()) - fresh.keys())
        if before.get(place, "") != after.get(place, "")
    ]


def new_since(sealed: Mapping[str, object], now: Mapping[str, object]) -> dict[str, int]:
    """Return the kinds of numbers that reports did not have yet when the first was sealed.

    A kind is a name of the report's JSON that the sealed one lacks where it holds others of the
    same thing; a row that the sealed one lacks is a change, whatever it holds.

    Returns
    -------
    dict : how many values each has now, by its name in words

    Examples
    --------
    >>> new_since({"placed": 8}, {"placed": 9, "share": {"value": 0.5, "low": 0.4}})
    {'share': 2}
    """
    return dict(Counter(_compared(sealed, now)[2].values()))


def new_words(kinds: Mapping[str, int], against: str = "the seal") -> str:
    """Return the new kinds of numbers in a sentence; '' where there are none.

    Examples
    --------
    >>> new_words({"share": 2})
    'New since the seal, no differences: share (2 values).'
    """
    if not kinds:
        return ""
    told = [f"{kind} ({n} value{'' if n == 1 else 's'})" for kind, n in kinds.items()]
    return f"New since {against}, no differences: {', '.join(told)}."


def _compared(
    sealed: Mapping[str, object], now: Mapping[str, object]
) -> tuple[dict[str, str], dict[str, str], dict[str, str]]:
    """Return the values of both by place, and by place the kind of those that are new."""
    old, new = (_spelled_out(numbers_alone(each)) for each in (sealed, now))
    fresh = {place: kind for above, kind in _new_kinds((), old, new) for place in above}
    return dict(_leaves((), old)), dict(_leaves((), new)), fresh


def _new_kinds(place: Place, sealed: object, now: object) -> Iterator[tuple[list[str], str]]:
    """Yield the places of every value of a name that `sealed` lacks, and that name in words."""
    if isinstance(sealed, Mapping) and isinstance(now, Mapping):
        for name, held in now.items():
            if name in sealed:
                below = place if name == "stratum" else (*place, _word(name))
                yield from _new_kinds(below, sealed[name], held)
            elif not place or place[-1] not in _NAMED_BY_RECORDS:
                yield [at for at, _ in _leaves((*place, _word(name)), held)], _word(name)
    elif isinstance(sealed, list) and isinstance(now, list):
        before = dict(zip(_labels(sealed), sealed, strict=True))
        for label, held in zip(_labels(now), now, strict=True):
            if label in before:
                yield from _new_kinds((*place, label), before[label], held)


def _spelled_out(document: Mapping[str, object]) -> Mapping[str, object]:
    """Return a report's JSON with its settings, which it holds as one text, each in words."""
    written = document.get("settings")
    return (
        {**document, "settings": dict(setting_rows(written))}
        if isinstance(written, str)
        else document
    )


def changes_table(found: list[Change]) -> FlatTable:
    """Return the changes as a table of a report."""
    return FlatTable("changes", ("what", "sealed", "now"), tuple(found))


def _leaves(place: Place, value: object) -> Iterator[tuple[str, str]]:
    """Yield every value under its place in words: rates, level medial, L4, lower limit."""
    if isinstance(value, Mapping):
        for name, held in value.items():
            if name == "stratum":  # what tells the row from others is its place's name
                continue
            yield from _leaves((*place, _word(name)), held)
    elif isinstance(value, list):
        for label, held in zip(_labels(value), value, strict=True):
            yield from _leaves((*place, label), held)
    else:
        yield ", ".join(part for part in place if part), "" if value is None else str(value)


def _word(name: str) -> str:
    return _WORDS.get(name, str(name).replace("_", " "))


def _labels(rows: list[object]) -> list[str]:
    """Return what tells the rows of a list apart: by what they are about, else by their place."""
    labels, seen = [], Counter[str]()
    for number, row in enumerate(rows, 1):
        label = _about(row) or str(number)
        seen[label] += 1
        labels.append(label if seen[label] == 1 else f"{label} ({seen[label]})")
    return labels


def _about(row: object) -> str:
    if not isinstance(row, Mapping):
        return ""
    if isinstance(stratum := row.get("stratum"), Mapping):
        return " ".join(map(str, stratum.values())) or "all"
    if "number" in row:
        return f"number {row['number']}"
    return str(row.get("code") or row.get("quarter") or row.get("from") or "")


_WORDS = {
    "value": "",
    "rows": "",
    "points": "",
    "low": "lower limit",
    "high": "upper limit",
    "df": "degrees of freedom",
    "patients_with_event": "patients with a breach",
    "patient_share": "share of patients with a breach",
    "limits_95": "95% line",
    "limits_998": "99.8% line",
    "if_all_breached": "the rate if all missing were breached",
    "if_none_breached": "the rate if none missing were breached",
    "ac1": "AC1",
    "icc_2_1": "ICC(2,1)",
    "icc_3_1": "ICC(3,1)",
    "sd": "standard deviation",
}
"""Names of the report's JSON in words; an empty one goes without saying."""
