"""How far apart neighbouring vertebrae's pedicles stand, to tell levels by the screws' spacing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.levels import LEVELS, level

if TYPE_CHECKING:
    from collections.abc import Collection

# From a level to the next one caudal, mm, in an adult of middle size: common practice, no source.
_TO_NEXT_MM = {
    **dict.fromkeys(("C2", "C3", "C4", "C5", "C6"), 17.0),
    "C7": 18.5,
    **dict.fromkeys(("T1", "T2", "T3"), 20.5),
    **dict.fromkeys(("T4", "T5", "T6"), 22.0),
    **dict.fromkeys(("T7", "T8"), 23.5),
    "T9": 25.0,
    "T10": 27.0,
    "T11": 29.0,
    "T12": 31.0,
    "T13": 31.0,
    "L1": 34.0,
    "L2": 35.5,
    "L3": 36.0,
    "L4": 35.0,
    "L5": 32.0,
    "L6": 32.0,
    "S1": 24.0,
    "S2 alar-iliac": 15.0,
    "ilium": 15.0,
}
_RARE = frozenset({"T13", "L6"})


def usual_distance_mm(cranial: str, caudal: str, present: Collection[str] = ()) -> float:
    """Return how far apart two levels usually stand, mm.

    Parameters
    ----------
    cranial, caudal : level codes, in that order
    present : levels that this patient is known to have; T13 and L6 count only when among them

    Examples
    --------
    >>> usual_distance_mm("L3", "L5")
    71.0
    """
    first, last = level(cranial).order, level(caudal).order
    return sum(
        _TO_NEXT_MM[each.code]
        for each in LEVELS[first:last]
        if each.code not in _RARE or each.code in present
    )


def closest_mm(levels: Collection[str]) -> float:
    """Return the least usual distance to the next level of any level named, mm."""
    return min(_TO_NEXT_MM[code] for code in levels)
