"""A screw's angles against the midplane and the upper endplate as they stand on the desk."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from registry.domain.millimetres import to_tenths
from registry.measure.angles import convergence_deg, sagittal_deg

if TYPE_CHECKING:
    from registry.actions.desk_screw import Placing

NO_MIDPLANE = "the midplane is not set"
NO_ENDPLATE = "the upper endplate is not set"
NOT_MEASURED = "it was not measured"


@dataclass(frozen=True)
class Angles:
    """How a screw lies in its vertebra, whole tenths of a degree.

    Attributes
    ----------
    convergence_deg, sagittal_deg : None where not measured
    why_no_convergence, why_no_sagittal : '' where it was
    """

    convergence_deg: Decimal | None = None
    sagittal_deg: Decimal | None = None
    why_no_convergence: str = ""
    why_no_sagittal: str = ""


def angles_of(placing: Placing) -> Angles:
    """Return the angles against the midplane and the upper endplate as the reader left them."""
    convergence = convergence_deg(placing.axis, placing.midplane)
    sagittal = sagittal_deg(placing.axis, placing.endplate_normal)
    missing = "" if placing.midplane else NO_MIDPLANE
    return Angles(
        _tenths(convergence),
        _tenths(sagittal),
        missing,
        "" if sagittal is not None else missing or NO_ENDPLATE,
    )


def _tenths(angle: float | None) -> Decimal | None:
    return None if angle is None else to_tenths(Decimal(repr(angle)))
