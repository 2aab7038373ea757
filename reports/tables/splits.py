"""By what the screws of a table can be split, and in which order the parts stand."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from registry.domain.levels import LEVELS, Region

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    import numpy.typing as npt

NOT_STATED = "not stated"

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


def strata(
    table: pd.DataFrame,
    shown: npt.NDArray[np.bool_],
    by: tuple[Split, ...],
    labels: Mapping[int, str],
) -> tuple[list[Mapping[Split, str]], npt.NDArray[np.int64]]:
    """Return each stratum that has a shown screw, in order, and each screw's number among them.

    A screw that is not shown has -1. Without a split the one stratum is all shown screws, also
    when there are none. ValueError where a person has no label.
    """
    if not by:
        return [{}], np.where(shown, 0, -1)
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
        ordered.append((ranks, {split: text for split, (_, text) in named.items()}, number))
    ordered.sort(key=lambda entry: entry[0])
    numbers = np.full(width, -1)
    numbers[[number for _, _, number in ordered]] = np.arange(len(ordered))
    return [stratum for _, stratum, _ in ordered], np.where(shown, numbers[codes], -1)


def keys_of(table: pd.DataFrame, split: Split) -> pd.Series[str] | pd.Series[int]:
    """Return what a split groups by, empty or -1 where not stated.

    Persons by id, so that two of one name stay two.
    """
    return _keys(table[_column(split)], split)


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
    if value in ("", -1):
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
