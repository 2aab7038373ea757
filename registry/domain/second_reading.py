"""Which first readings ask for a second, and how the random share is drawn."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import TYPE_CHECKING

from registry.domain.scales import greatest_extent

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from registry.domain.directions import Direction

_LARGE_EXTENT_MM = Decimal(2)


class SecondReason(StrEnum):
    """Why a second reading is asked for."""

    ALL = "every screw is read twice"
    NEAR_CUT_OFF = "near a cut-off"
    LARGE = "2 mm or more"
    LOW_CONFIDENCE = "low confidence"
    DRAWN = "drawn at random"


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


def quarter_of(day: date) -> str:
    """Return the quarter in which a day lies.

    Examples
    --------
    >>> from datetime import date
    >>> quarter_of(date(2026, 3, 31)), quarter_of(date(2026, 4, 1))
    ('2026Q1', '2026Q2')
    """
    return f"{day.year}Q{(day.month + 2) // 3}"


def reason_for_second(
    extents_mm: Mapping[Direction, Decimal | None],
    *,
    is_near_cut_off: bool,
    is_low_confidence: bool,
    is_drawn: bool,
    rule: SecondReadingRule,
) -> SecondReason | None:
    """Return why a second reading is asked for, or None where none is."""
    extent = greatest_extent(extents_mm)
    if rule.reads_all:
        return SecondReason.ALL
    if is_near_cut_off:
        return SecondReason.NEAR_CUT_OFF
    if extent is not None and extent >= _LARGE_EXTENT_MM:
        return SecondReason.LARGE
    if is_low_confidence:
        return SecondReason.LOW_CONFIDENCE
    return SecondReason.DRAWN if is_drawn else None


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
