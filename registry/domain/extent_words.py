"""What a reading found, in the words that pages and pictures print."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.directions import PEDICLE_WALLS, Direction

if TYPE_CHECKING:
    from collections.abc import Mapping
    from decimal import Decimal


def found_words(
    extents: Mapping[Direction, Decimal | None],
    sds: Mapping[Direction, Decimal | None],
    *,
    is_assessable: bool,
) -> str:
    """Return such as `medial 2.1 ± 0.6 mm; 0 in lateral; not measured: cranial, caudal`."""
    if not is_assessable:
        return "not assessable"
    beyond = [
        f"{wall_words(wall)} {mm}" + ("" if (sd := sds.get(wall)) is None else f" ± {sd}") + " mm"
        for wall in Direction
        if (mm := extents.get(wall)) is not None and mm > 0
    ]
    nought = [
        wall_words(wall) for wall in Direction if (mm := extents.get(wall)) is not None and mm == 0
    ]
    empty = [wall_words(wall) for wall in PEDICLE_WALLS if extents.get(wall) is None]
    parts = [
        ", ".join(beyond),
        f"0 in {', '.join(nought)}" if nought else "",
        f"not measured: {', '.join(empty)}" if empty else "",
    ]
    return "; ".join(part for part in parts if part)


def wall_words(wall: Direction) -> str:
    """Return a direction as it is written out."""
    return "lateral body wall" if wall is Direction.BODY_LATERAL else wall.value
