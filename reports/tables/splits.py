"""By what the screws of a table can be split, and in which order the parts stand."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

from registry.domain.levels import LEVELS, Region

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator, Mapping

    import pandas as pd

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


PERSONS = frozenset({Split.SURGEON, Split.OPERATOR})


def strata(
    table: pd.DataFrame, by: tuple[Split, ...], labels: Mapping[int, str]
) -> Iterator[tuple[Mapping[Split, str], pd.Index[int]]]:
    """Yield each stratum that has a screw, in order, with the index of its screws.

    Without a split the one stratum is all the screws, also when there are none. ValueError where a
    person has no label.
    """
    if not by:
        yield {}, table.index
        return
    keys = [keys_of(table, split) for split in by]
    ordered = []
    for values, part in table.groupby(keys, sort=False) if len(table) else ():
        pairs = zip(by, values, strict=True)
        named = {split: _named(split, value, labels) for split, value in pairs}
        ranks = [rank for rank, _ in named.values()]
        stratum = {split: text for split, (_, text) in named.items()}
        ordered.append((ranks, stratum, part.index))
    for _, stratum, members in sorted(ordered, key=lambda entry: entry[0]):
        yield stratum, members


def keys_of(table: pd.DataFrame, split: Split) -> pd.Series[str] | pd.Series[int]:
    """Return what a split groups by, empty or -1 where not stated.

    Persons by id, so that two of one name stay two.
    """
    if split is Split.DIAMETER:
        known = table["diameter_mm"].notna()
        return table["diameter_mm"].map("{:.1f}".format).where(known, "")
    if split is Split.OPERATOR:
        return table["operator"].fillna(-1).astype("int64")
    return table[split.value] if split in PERSONS else table[split.value].fillna("")


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
