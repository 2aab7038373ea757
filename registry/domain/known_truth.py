"""What a reading of a drawn screw, whose truth is known, is worth: found, missed, false alarm.

Drawn screws are in no rate: they say how well readers find what is there.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import TYPE_CHECKING

from registry.domain.directions import Direction
from registry.domain.levels import level
from registry.domain.scales import measured_walls

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from registry.domain.levels import Level

CUT_OFF_MM = Decimal(2)
AHEAD = 20
"""So many of the audit's screws ahead drawn ones are mixed in; ours, no source."""


class Purpose(StrEnum):
    """What a drawn scan is for."""

    PRACTICE = "practice"
    MIXED = "mixed"


@dataclass(frozen=True)
class Judged:
    """A reading beside the truth.

    Attributes
    ----------
    truth_mm, read_mm : the greatest extent of the walls that the level's grade needs, whole tenths;
        `read_mm` is None where the reading has no grade
    """

    truth_mm: Decimal
    read_mm: Decimal | None

    @property
    def is_breached(self) -> bool:
        """Whether it truly stands 2 mm or more outside."""
        return self.truth_mm >= CUT_OFF_MM

    @property
    def is_missed(self) -> bool:
        """Whether it does, and was read under 2 mm."""
        return self.is_breached and self.read_mm is not None and self.read_mm < CUT_OFF_MM

    @property
    def is_outside(self) -> bool:
        """Whether it truly stands outside at all."""
        return self.truth_mm > 0

    @property
    def is_called_contained(self) -> bool:
        """Whether it does, and was read as contained."""
        return self.is_outside and self.read_mm == 0

    @property
    def is_false_alarm(self) -> bool:
        """Whether it was read 2 mm or more outside, and is not."""
        return not self.is_breached and self.read_mm is not None and self.read_mm >= CUT_OFF_MM


def seen_truth(
    extents_mm: Mapping[Direction, Decimal | None], floor_mm: Decimal
) -> dict[Direction, Decimal | None]:
    """Return the truth as a reading would keep it: 0 under the floor, below what CT shows."""
    return {
        wall: Decimal("0.0")
        if (value := extents_mm.get(wall)) is not None and value < floor_mm
        else value
        for wall in Direction
    }


def is_asked(
    purpose: Purpose,
    levels: Sequence[str],
    truths_mm: Sequence[Mapping[Direction, Decimal | None]],
) -> list[bool]:
    """Return which screws of a drawn scan are to be read by who is given a copy.

    In practice all that have a pedicle grade. Mixed in, those that stand 2 mm or more outside and
    one other, so that most are breached and a scan offers as few as one that asks for second
    readings does.
    """
    worst = [_greatest(truth, level(code)) for code, truth in zip(levels, truths_mm, strict=True)]
    if purpose is Purpose.PRACTICE:
        return [mm is not None for mm in worst]
    breached = [mm is not None and mm >= CUT_OFF_MM for mm in worst]
    if not any(breached):
        return breached
    other = next((n for n, mm in enumerate(worst) if mm is not None and not breached[n]), None)
    return [is_out or n == other for n, is_out in enumerate(breached)]


def mixed_by_now(read: int, share: Decimal) -> int:
    """Return how many drawn screws a reader should have been given by now.

    Parameters
    ----------
    read : how many of the audit's they have read
    share : of drawn ones in all that they read, 0 to 0.5
    """
    return int(share / (1 - share) * (read + AHEAD))


def judge(
    code: str,
    truth_mm: Mapping[Direction, Decimal | None],
    read_mm: Mapping[Direction, Decimal | None],
) -> Judged | None:
    """Return a reading beside the truth of its screw; None where the truth has no pedicle grade.

    Parameters
    ----------
    code : the screw's level
    truth_mm : as `seen_truth` gives it
    read_mm : as stored with the reading; empty where it was not assessable
    """
    at = level(code)
    true = _greatest(truth_mm, at)
    return None if true is None else Judged(true, _greatest(read_mm, at))


def _greatest(extents_mm: Mapping[Direction, Decimal | None], at: Level) -> Decimal | None:
    walls = measured_walls(extents_mm, at) if at.has_pedicle_grade else None
    return None if walls is None else max(walls.values(), default=None)
