"""The invented patients, cases, screws and readings, before they become tables."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING

from registry.domain.readings import Method, NotAssessableReason, ReadingRole
from registry.domain.techniques import (
    Approach,
    EntryTechnique,
    Guidance,
    Intention,
    Life,
    NoScanReason,
)

if TYPE_CHECKING:
    from registry.domain.scans import ScanKind, ScanReason

FIRST_DAY = date(2024, 7, 1)
LAST_DAY = date(2026, 9, 30)
"""The first and the last operation may fall on these days."""

LAST_QUARTER = date(2026, 7, 1)
"""Its first day."""

LAST_READING_DAY = date(2026, 12, 15)
"""No reading is later, however late its scan was made."""


class Imaging(StrEnum):
    """Which scans an invented case has."""

    NONE = "no scan"
    ROUTINE = "routine post-operative CT"
    ROUTINE_THEN_SYMPTOMS = "routine post-operative CT, later another for symptoms"
    SYMPTOMS_ONLY = "only a CT for symptoms"
    INTRA_OPERATIVE_ONLY = "only 3D images made during the operation"
    LATE_ONLY = "only a CT long after the operation"
    DRAWN = "files that are drawn, still to be read"
    DRAWN_AND_READ = "files that are drawn, read at the desk"


@dataclass(frozen=True)
class InventedPatient:
    """One patient; `frailty` is what raises or lowers the odds of a breach in all their screws."""

    reference: str
    birth_date: date
    frailty: float


@dataclass(frozen=True)
class InventedScrew:
    """One row of the theatre log, and whether it stands on the concave side of a curve."""

    level: str
    side: str
    technique: EntryTechnique
    guidance: Guidance
    diameter_mm: float
    length_mm: float
    operator: str | None = None
    supervision: str | None = None
    technique_words: str = ""
    alloy: str = "titanium alloy"
    intention: Intention | None = None
    life: Life = Life.PLACED
    is_concave: bool = False


@dataclass(frozen=True)
class InventedCase:
    """One operation; numbers that are not recorded are None."""

    reference: str
    patient: InventedPatient
    operated_on: date
    surgeon: str
    second_surgeon: str | None
    assistants: tuple[str, ...]
    indication: str
    is_revision: bool
    cobb_deg: int | None
    body_mass_index: float | None
    bone_quality: str
    approach: Approach
    imaging: Imaging
    no_scan_reason: NoScanReason | None
    screws: tuple[InventedScrew, ...]

    @property
    def team(self) -> frozenset[str]:
        """Everyone who operated or assisted."""
        named = {self.surgeon, self.second_surgeon, *self.assistants}
        named |= {screw.operator for screw in self.screws}
        return frozenset(name for name in named if name is not None)


Extents = dict[str, int | None]
"""Tenths of a millimetre by direction; None where it was not measured."""


@dataclass(frozen=True)
class InventedReading:
    """One row of the table of readings."""

    case: InventedCase
    screw: InventedScrew
    reader: str
    read_on: date
    scan_on: date
    scan_kind: ScanKind
    scan_reason: ScanReason
    role: ReadingRole
    extents: Extents
    method: Method = Method.TYPED
    uncertainty_tenths: int | None = None
    convergence_tenths: int | None = None
    sagittal_tenths: int | None = None
    not_assessable: NotAssessableReason | None = None
