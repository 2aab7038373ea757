"""How much wider than catalogued a scan shows its screws, and their tips without that.

Metal blooms on CT: screws measure wider than they are, by up to a millimetre (Elliott MJ, Slakey
JB. Clin Orthop Relat Res 2014;472:1605), and seem longer by as much at the tip. The theatre log
knows how wide they are.
"""

from __future__ import annotations

from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING

from registry.measure.axes import ScrewAxis

if TYPE_CHECKING:
    from collections.abc import Sequence

    from registry.measure.proposals.finding import FoundScrew
    from registry.measure.proposals.records import LoggedScrew

_THREAD_MM = 0.35
"""The catalogue measures to the thread's crest, brightness falls about the mean of crest and root;
common practice, no source."""
LEAST_SCREWS = 3
"""So that one wrong size in the log moves no tip; ours."""
_ALIKE_MM = 0.3
_LEAST_MM, _MOST_MM = -0.6, 1.6
"""Beyond these the log's sizes are not this metal's; ours."""


def swelling_mm(matched: Sequence[tuple[LoggedScrew, FoundScrew]]) -> float | None:
    """Return how far a scan's metal seems to stand outside itself, mm.

    None where fewer than three screws tell it, or where the log's sizes do not fit the metal.
    """
    told = [
        found.ends.radius_mm + _THREAD_MM - logged.diameter_mm / 2.0
        for logged, found in matched
        if found.ends is not None and logged.diameter_mm is not None
    ]
    if len(told) < LEAST_SCREWS:
        return None
    middle = median(told)
    is_alike = median(abs(each - middle) for each in told) <= _ALIKE_MM
    # Metal shows no narrower than it is: what is less comes of a deep thread.
    return max(0.0, middle) if is_alike and _LEAST_MM <= middle <= _MOST_MM else None


def without_swelling(
    matched: Sequence[tuple[LoggedScrew, FoundScrew]],
) -> tuple[tuple[LoggedScrew, FoundScrew], ...]:
    """Return the screws with their tips where they lie once a scan's swelling is taken off."""
    swelling = swelling_mm(matched)
    if swelling is None:
        return tuple(matched)
    return tuple((logged, _at_tip(found, swelling)) for logged, found in matched)


def _at_tip(found: FoundScrew, swelling: float) -> FoundScrew:
    if found.ends is None:
        return found
    tip = found.axis.tip_mm + (found.ends.tip_mm - swelling) * found.axis.direction
    return replace(found, axis=ScrewAxis.through(found.axis.entry_mm, tip))
