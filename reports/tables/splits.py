"""By what the screws of a table can be split, and in which order the parts stand."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from registry.domain.levels import LEVELS, Region

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Mapping

    import numpy.typing as npt

NOT_STATED = "not stated"
_MISSING = ("", -1)

_LEVEL_ORDER = {item.code: item.order for item in LEVELS}
_REGION_ORDER = {region.value: order for order, region in enumerate(Region)}


class Split(StrEnum):
    """By what a table is split."""

    LEVEL = "level"
    REGION = "region"
    SIDE = "side"
    ENTRY_TECHNIQUE = "entry_technique"
    GUIDANCE = "guidance"
    SURGEON = "surgeon"
    OPERATOR = "operator"
    INDICATION = "indication"
    QUARTER = "quarter"
    DIAMETER = "diameter"


class IntervalName(StrEnum):
    """Which interval a rate carries."""

    CLUSTERED = "clustered"
    WILSON = "wilson"
    CLOPPER_PEARSON = "clopper-pearson"
    JEFFREYS = "jeffreys"
    MID_P = "mid-p"


PERSONS = frozenset({Split.SURGEON, Split.OPERATOR})


class Strata(NamedTuple):
    """The parts of a table, in order.

    Attributes
    ----------
    names : of each stratum, by split, as people read them
    places : shape (n,), each screw's stratum; -1 where it is not shown
    keys : of each stratum, by split in the order asked: what it is known by in an address. A
        person's is a number, which two of one name do not share; what is not stated has ''
    """

    names: list[Mapping[Split, str]]
    places: npt.NDArray[np.int64]
    keys: list[tuple[str, ...]]


def strata(
    table: pd.DataFrame,
    shown: npt.NDArray[np.bool_],
    by: tuple[Split, ...],
    labels: Mapping[int, str],
) -> Strata:
    """Return each stratum that has a shown screw, in order, and each screw's number among them.

    Without a split the one stratum is all shown screws, also when there are none. ValueError where
    a person has no label.
    """
    if not by:
        return Strata([{}], np.where(shown, 0, -1), [()])
    codes = np.zeros(len(table), dtype=np.int64)
    width, parts = 1, []
    for split in by:
        own, values = _coded(table, split)
        codes = codes * len(values) + own
        width *= len(values)
        parts.append(values)
    there = np.flatnonzero(np.bincount(codes[shown], minlength=width))
    places = np.unravel_index(there, [len(values) for values in parts])
    ordered = []
    for number, place in zip(there, zip(*places, strict=True), strict=True):
        values = [part[at] for part, at in zip(parts, place, strict=True)]
        named = {
            split: _named(split, value, labels) for split, value in zip(by, values, strict=True)
        }
        ranks = [rank for rank, _ in named.values()]
        keys = tuple("" if value in _MISSING else str(value) for value in values)
        names = {split: text for split, (_, text) in named.items()}
        ordered.append((ranks, names, number, keys))
    ordered.sort(key=lambda entry: entry[0])
    numbers = np.full(width, -1)
    numbers[[entry[2] for entry in ordered]] = np.arange(len(ordered))
    return Strata(
        [entry[1] for entry in ordered],
        np.where(shown, numbers[codes], -1),
        [entry[3] for entry in ordered],
    )


def in_order(split: Split, named: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return values of a split, each a key and its name, in the order in which tables have them.

    Examples
    --------
    >>> in_order(Split.LEVEL, [("S1", "S1"), ("", "not stated"), ("T12", "T12")])
    [('T12', 'T12'), ('S1', 'S1'), ('', 'not stated')]
    """

    def place(value: tuple[str, str]) -> tuple[float, str, str]:
        key, name = value
        if not key:
            return (float("inf"), "", "")
        return (0 if split in PERSONS else _rank(split, key), name.casefold(), key)

    return sorted(set(named), key=place)


def keys_of(table: pd.DataFrame, split: Split) -> pd.Series[str] | pd.Series[int]:
    """Return what a split groups by, empty or -1 where not stated.

    Persons by id, so that two of one name stay two.
    """
    return _keys(table[_column(split)], split)


def is_of(table: pd.DataFrame, split: Split, key: str) -> npt.NDArray[np.bool_]:
    """Return which screws are of one value of a split, by its key as `Strata` has it."""
    column = table[_column(split)]
    place, found = pd.factorize(column)
    few = _keys(pd.Series(found, dtype=column.dtype), split)
    same = np.array([*(str(value) == key and value not in _MISSING for value in few), not key])
    # What is missing has the place -1, which is the last one here; a text may be empty as well.
    same[:-1] |= np.array([not key and value in _MISSING for value in few], dtype=np.bool_)
    is_same: npt.NDArray[np.bool_] = same[place]
    return is_same


def _column(split: Split) -> str:
    return "diameter_mm" if split is Split.DIAMETER else split.value


def _keys(values: pd.Series[Any], split: Split) -> pd.Series[str] | pd.Series[int]:
    if split is Split.DIAMETER:
        return values.map("{:.1f}".format).where(values.notna(), "")
    if split is Split.OPERATOR:
        return values.fillna(-1).astype("int64")
    return values if split in PERSONS else values.fillna("")


def _coded(table: pd.DataFrame, split: Split) -> tuple[npt.NDArray[np.int64], list[Hashable]]:
    """Return each screw's place in a list of the split's keys, and the list."""
    column = table[_column(split)]
    place, found = pd.factorize(column)
    few = pd.Series(found, dtype=column.dtype)
    if (place < 0).any():
        # What is missing has the place -1, which is the last one here.
        few = few.reindex(range(len(few) + 1))
    again, keys = pd.factorize(_keys(few, split))
    return again[place], list(keys)


def _named(
    split: Split, value: Hashable, labels: Mapping[int, str]
) -> tuple[tuple[float, str, str], str]:
    """Return a value's place in the order, and its text; what is not stated comes last."""
    if value in _MISSING:
        return (float("inf"), "", ""), NOT_STATED
    text = str(value)
    if split in PERSONS:
        if value not in labels:
            raise ValueError(f"no label for person {value}")
        shown = labels[int(text)]
        return (0, shown.casefold(), text), shown
    return (_rank(split, text), text.casefold(), text), text


def _rank(split: Split, text: str) -> float:
    """Return a value's place before the alphabet decides."""
    if split is Split.LEVEL:
        return _LEVEL_ORDER[text]
    if split is Split.REGION:
        return _REGION_ORDER[text]
    return float(text) if split is Split.DIAMETER else 0
