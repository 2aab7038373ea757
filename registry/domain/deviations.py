"""The standard deviation of what several readings say of a wall."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from registry.domain.millimetres import to_tenths

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from decimal import Decimal

    from registry.domain.directions import Direction


class Spread(Protocol):
    """What a deviation is worked out from: extents and their deviations by wall."""

    @property
    def extents_mm(self) -> Mapping[Direction, Decimal | None]:
        """Return the extents."""

    @property
    def sd_mm(self) -> Mapping[Direction, Decimal | None]:
        """Return their standard deviations."""


def deviation(used: Sequence[Spread], wall: Direction) -> Decimal | None:
    """Return the standard deviation of a wall's extent, None where a reading of it has none.

    Of an average of two it is (s1 + s2) / 2: whatever two readings of one image share, the
    standard deviation of their mean is no greater.
    """
    found = [each.sd_mm.get(wall) for each in used if each.extents_mm.get(wall) is not None]
    known = [sd for sd in found if sd is not None]
    if not known or len(known) < len(found):
        return None
    return to_tenths(sum(known[1:], known[0]) / len(known))
