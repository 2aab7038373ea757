"""A proposed screw's numbers as the ledger would store them: floored, whole tenths, graded."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from registry.domain.directions import Direction
from registry.domain.millimetres import TENTH, measured_to_stored, to_tenths
from registry.domain.scales import grade

if TYPE_CHECKING:
    from collections.abc import Mapping

    from registry.domain.settings import Settings
    from registry.measure.proposals.records import ProposedScrew

NOT_SAID = "the program did not say why"


@dataclass(frozen=True)
class ProposedNumbers:
    """What was measured of one screw.

    Attributes
    ----------
    extents_mm : every direction, whole tenths, 0 under the unit's floor; None where not measured
    sd_mm : the same directions, whole tenths, at least 0.1
    not_measured : why, for each direction without an extent
    grade : on the unit's scale, None where a needed wall was not measured
    convergence_deg, sagittal_deg : whole tenths, or None
    """

    extents_mm: Mapping[Direction, Decimal | None]
    sd_mm: Mapping[Direction, Decimal | None]
    not_measured: Mapping[Direction, str]
    grade: str | None
    convergence_deg: Decimal | None
    sagittal_deg: Decimal | None


def proposed_numbers(screw: ProposedScrew, settings: Settings) -> ProposedNumbers:
    """Return a proposed screw's numbers by the unit's floor and scale."""
    extents: dict[Direction, Decimal | None] = dict.fromkeys(Direction)
    sds: dict[Direction, Decimal | None] = dict.fromkeys(Direction)
    for wall, found in screw.extents.items():
        extents[wall] = measured_to_stored(found.extent_mm, settings.floor_mm)
        sds[wall] = max(TENTH, _tenths(found.sd_mm) or TENTH)
    return ProposedNumbers(
        extents_mm=extents,
        sd_mm=sds,
        not_measured={
            wall: screw.not_measured.get(wall, NOT_SAID)
            for wall, extent in extents.items()
            if extent is None
        },
        grade=grade(extents, screw.logged.level, settings.scale),
        convergence_deg=_tenths(screw.convergence_deg),
        sagittal_deg=_tenths(screw.sagittal_deg),
    )


def _tenths(value: float | None) -> Decimal | None:
    return None if value is None else to_tenths(Decimal(repr(float(value))))
