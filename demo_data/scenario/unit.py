"""An invented spinal unit over nine quarters, made from a seed: every person in it is made up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from .cases import DRAWN_OPERATED_ON, DRAWN_SCANNED_ON, invent_cases
from .ct.study import DrawnStudy, PatientIdentity, draw_study
from .outcomes import invent_outcomes
from .own_notes import OWN_NOTES
from .people import (
    ACCOUNTS,
    NOTE,
    PASSPHRASE,
    POLICY_MM,
    POLICY_WORDS,
    STANDARD_PERCENT,
    STANDARD_WORDS,
    UNIT_NAME,
)
from .read_case import at_hour, draw_read_ct, marked_screws, scanned_on, with_read_case
from .readings import invent_readings
from .records import Imaging
from .replies import invent_rounds
from .tables import readings_table, theatre_log

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from pathlib import Path

    from .outcomes import InventedOutcome
    from .read_case import MarkedScrew
    from .records import InventedCase, InventedReading
    from .replies import InventedRound

__all__ = [
    "ACCOUNTS",
    "NOTE",
    "OWN_NOTES",
    "PASSPHRASE",
    "POLICY_MM",
    "POLICY_WORDS",
    "SEED",
    "STANDARD_PERCENT",
    "STANDARD_WORDS",
    "UNIT_NAME",
    "InventedUnit",
    "invent_unit",
]

SEED = 7


@dataclass(frozen=True)
class InventedUnit:
    """The unit's cases and readings, and the CT of one case that nobody has read yet."""

    seed: int
    cases: tuple[InventedCase, ...]
    readings: tuple[InventedReading, ...]

    @property
    def drawn_case(self) -> InventedCase:
        """The case whose CT is drawn."""
        return next(case for case in self.cases if case.imaging is Imaging.DRAWN)

    @property
    def read_case(self) -> InventedCase:
        """The case whose drawn CT has been read."""
        return next(case for case in self.cases if case.imaging is Imaging.DRAWN_AND_READ)

    def draw_read_ct(self, folder: Path) -> None:
        """Draw its CT."""
        draw_read_ct(folder, self.seed, self.read_case)

    def marked_screws(self) -> Iterator[MarkedScrew]:
        """Yield its screws as their reader marks them."""
        return marked_screws(self.seed)

    def read_at(self, days_later: int, hour: int) -> datetime:
        """Return an instant some days after its CT."""
        return at_hour(scanned_on(self.read_case), days_later, hour)

    def theatre_log_csv(self) -> bytes:
        """Return the theatre log that `load-log` takes."""
        return theatre_log(self.cases)

    def readings_csv(self) -> bytes:
        """Return the table that `load-readings` takes."""
        return readings_table(self.readings)

    def outcomes(self) -> tuple[InventedOutcome, ...]:
        """Return what became of a few patients."""
        return invent_outcomes(self.readings)

    def rounds(self) -> tuple[InventedRound, ...]:
        """Return how each quarter was laid before its surgeons and what they answered."""
        return invent_rounds(self.seed, self.cases)

    def draw_ct(self, folder: Path) -> DrawnStudy:
        """Draw the files that `load-ct` takes."""
        return draw_study(
            folder,
            seed=self.seed,
            identity=PatientIdentity(),
            operated_on=DRAWN_OPERATED_ON,
            scanned_on=DRAWN_SCANNED_ON,
        )


def invent_unit(seed: int = SEED) -> InventedUnit:
    """Return the unit of a seed: 400 cases with 3,000 screws, the same bytes for the same seed."""
    cases = invent_cases(seed)
    return InventedUnit(seed, *with_read_case(cases, invent_readings(seed, cases)))
