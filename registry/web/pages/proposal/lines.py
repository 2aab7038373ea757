"""A reader's own numbers beside the program's, wall by wall, in the words that the page prints."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.proposal_numbers import proposed_numbers
from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.scales import grade

if TYPE_CHECKING:
    from decimal import Decimal

    from registry.actions.proposed import OwnBeside
    from registry.domain.settings import Settings

_NOT_MEASURED = "not measured"


@dataclass(frozen=True)
class WallLine:
    """One direction: what the reader found, what the program did, and why it did not."""

    wall: str
    own: str
    proposed: str
    why_not: str


@dataclass(frozen=True)
class Compared:
    """The page's table.

    Attributes
    ----------
    lines : every pedicle wall, and what either measured beyond them
    own_grade, proposed_grade : on the unit's scale, `none` without one
    """

    lines: tuple[WallLine, ...]
    own_grade: str
    proposed_grade: str

    @property
    def is_partly(self) -> bool:
        """Whether the program gives a reason for a wall that it did not measure."""
        return any(line.why_not for line in self.lines)


def compared(found: OwnBeside, settings: Settings) -> Compared | None:
    """Return a reading beside what the program measured; None where it measured nothing."""
    own, screw = found.reading, found.proposed.screw
    if screw is None:
        return None
    numbers = proposed_numbers(screw, settings)
    lines = [
        WallLine(
            "lateral body wall" if wall is Direction.BODY_LATERAL else wall.value,
            _own(own.extents_mm.get(wall), is_assessable=own.is_assessable),
            _extent(numbers.extents_mm[wall], numbers.sd_mm[wall]),
            numbers.not_measured.get(wall, ""),
        )
        for wall in Direction
        if wall in PEDICLE_WALLS
        or own.extents_mm.get(wall) is not None
        or numbers.extents_mm[wall] is not None
    ]
    own_grade = grade(own.extents_mm, own.level, settings.scale) if own.is_assessable else None
    return Compared(
        tuple(lines),
        (own_grade or "none") if own.is_assessable else "not assessable",
        numbers.grade or "none",
    )


def _own(extent: Decimal | None, *, is_assessable: bool) -> str:
    if not is_assessable:
        return "not assessable"
    return _NOT_MEASURED if extent is None else f"{extent} mm"


def _extent(extent: Decimal | None, sd: Decimal | None) -> str:
    return _NOT_MEASURED if extent is None else f"{extent} ± {sd} mm"
