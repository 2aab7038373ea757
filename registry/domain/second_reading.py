"""Which first readings ask for a second, and how the random share is drawn."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from registry.domain.scales import greatest_extent

if TYPE_CHECKING:
    from collections.abc import Mapping

    from registry.domain.directions import Direction

_LARGE_EXTENT_MM = Decimal(2)


@dataclass(frozen=True)
class SecondReadingRule:
    """The unit's rule.

    Attributes
    ----------
    reads_all : every screw is read twice
    share : of the rest, drawn at random, 0 to 1
    """

    reads_all: bool = False
    share: Decimal = Decimal("0.1")


def reason_for_second(
    extents_mm: Mapping[Direction, Decimal | None],
    *,
    is_near_cut_off: bool,
    is_low_confidence: bool,
    is_drawn: bool,
    rule: SecondReadingRule,
) -> str:
    """Return why a second reading is asked for, or '' where none is."""
    extent = greatest_extent(extents_mm)
    if rule.reads_all:
        return "every screw is read twice"
    if is_near_cut_off:
        return "near a cut-off"
    if extent is not None and extent >= _LARGE_EXTENT_MM:
        return "2 mm or more"
    if is_low_confidence:
        return "low confidence"
    return "drawn at random" if is_drawn else ""


def is_drawn(seed: str, screw_id: int, share: Decimal) -> bool:
    """Return whether a screw is among the random share, the same for the same seed for ever.

    Parameters
    ----------
    seed : recorded with the draw
    screw_id : int
    share : 0 to 1
    """
    digest = hashlib.sha256(f"{seed}|{screw_id}".encode()).digest()
    return int.from_bytes(digest[:8], "big") < int(share * 2**64)
