"""A reading: one reader's measurement of one screw on one scan."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from registry.domain.directions import PEDICLE_WALLS, Direction

if TYPE_CHECKING:
    from collections.abc import Mapping
    from decimal import Decimal


class ReadingRole(StrEnum):
    """Which of a screw's readings this is."""

    FIRST = "first"
    SECOND = "second"
    ADJUDICATION = "adjudication"


class Method(StrEnum):
    """The way an extent was found."""

    CONTOUR = "contour"
    CALLIPER = "calliper"
    BY_EYE = "by eye"
    TYPED = "typed"


class NotAssessableReason(StrEnum):
    """Why a screw cannot be read."""

    ARTEFACT = "artefact"
    NOT_COVERED = "not covered"
    SCREW_NOT_THERE = "screw not there"


class Confidence(StrEnum):
    """The reader's own."""

    HIGH = "high"
    MODERATE = "moderate"
    LOW = "low"


class ProposalSeen(StrEnum):
    """When a reader had been shown what the program measured of the screw they read."""

    AFTER_OWN = "after own reading"
    FROM_START = "from the start"


_PROPOSAL_WORDS = {
    None: "",
    ProposalSeen.AFTER_OWN: "changed after the proposal was shown",
    ProposalSeen.FROM_START: "with the proposal shown",
}


def proposal_words(seen: ProposalSeen | None) -> str:
    """Return in a few words how a reading stands to the proposal; '' where none was shown."""
    return _PROPOSAL_WORDS[seen]


class ProposalExtents(StrEnum):
    """When a reader is shown what the program measured: a setting of the unit."""

    AFTER_READING = "after reading"
    AT_ONCE = "at once"


class CountedReading(StrEnum):
    """Which of a reader's two readings counts, the blind one or its change: a setting."""

    BLIND = "blind"
    AFTER_PROPOSAL = "after proposal"


@dataclass(frozen=True)
class ReadingFacts:
    """What consensus needs to know of a reading.

    Attributes
    ----------
    reading_id : int
    role : ReadingRole
    is_assessable : bool
    extents_mm : whole tenths by direction, None where not measured
    bearing_deg : of the greatest pedicle extent, 0 medial, 90 cranial, 180 lateral, 270 caudal;
        None where there is none or it was not kept
    supersedes : the reading that it replaced, or None
    proposal_seen : when its reader had been shown the program's proposal, None where they had not
    """

    reading_id: int
    role: ReadingRole
    is_assessable: bool
    extents_mm: Mapping[Direction, Decimal | None] = field(default_factory=dict)
    bearing_deg: Decimal | None = None
    supersedes: int | None = None
    proposal_seen: ProposalSeen | None = None

    def greatest_walls(self) -> tuple[Direction, ...]:
        """Return the wall of the greatest pedicle extent, several where they tie.

        None where no extent is above 0.
        """
        found = [(self.extents_mm.get(wall) or 0, wall) for wall in PEDICLE_WALLS]
        top = max(value for value, _ in found)
        return tuple(wall for value, wall in found if value == top) if top > 0 else ()
