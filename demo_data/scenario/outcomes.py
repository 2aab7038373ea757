"""What became of a few invented patients whose screw lay far out of its pedicle."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from registry.domain.readings import ReadingRole

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from .records import InventedReading

_FEW = 6
_FAR_TENTHS = 40
_SEEN_AFTER_DAYS, _TOLD_AFTER_DAYS = 3, 1


@dataclass(frozen=True)
class InventedOutcome:
    """An outcome about one screw of a case, as it is typed into the form.

    `level` and `side` name the screw; `texts` are the other fields.
    """

    reference: str
    level: str
    side: str
    texts: Mapping[str, str]


def invent_outcomes(readings: Iterable[InventedReading]) -> tuple[InventedOutcome, ...]:
    """Return the outcomes of the first few cases with a screw 4 mm or more through the medial wall.

    Every other patient has a deficit, every third was revised for it.
    """
    far: dict[str, InventedReading] = {}
    for reading in readings:
        extent = reading.extents.get("medial")
        if reading.role is ReadingRole.FIRST and extent is not None and extent >= _FAR_TENTHS:
            far.setdefault(reading.case.reference, reading)
    return tuple(_outcome(place, reading) for place, reading in enumerate([*far.values()][:_FEW]))


def _outcome(place: int, reading: InventedReading) -> InventedOutcome:
    has_deficit, is_revised = place % 2 == 0, place % 3 == 0
    seen_on = reading.read_on + timedelta(days=_SEEN_AFTER_DAYS)
    return InventedOutcome(
        reference=reading.case.reference,
        level=reading.screw.level,
        side=reading.screw.side,
        texts={
            "observed_on": seen_on.isoformat(),
            "has_deficit": "yes" if has_deficit else "no",
            "deficit_words": "numbness below the screw, invented" if has_deficit else "",
            "is_revised_for_position": "yes" if is_revised else "no",
            "action": "screw taken out and set anew, invented" if is_revised else "",
            "told_on": (seen_on + timedelta(days=_TOLD_AFTER_DAYS)).isoformat(),
            "told_by": reading.case.surgeon,
        },
    )
