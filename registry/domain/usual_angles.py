"""Usual angles of pedicle screws by level and entry technique: for notes, never for a fault.

The range of a level runs from the least to the greatest that a source, or the rule of thumb, gives
for it; figures are never averaged, because the sources measure differently. A single figure that a
source calls "about" has `ABOUT_DEG` either way. Convergence is positive when the tip is nearer the
midplane than the entry, sagittal when the tip is cranial, against the vertebra's upper endplate.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from registry.domain.techniques import EntryTechnique

if TYPE_CHECKING:
    from collections.abc import Mapping

ABOUT_DEG = 5.0
"""How far about a single figure still is usual; ours, no source."""

_THUMB = "rule of thumb (common practice, no source)"
_DICKMAN = "Dickman 1992 (about 5 degrees x the lumbar number)"
_TEACHING = "teaching pages"
_CORTICAL = "seen on CT for the cortical trajectory (scielo.br pid S0102-36162022000100047)"
_S1_STUDY = "Surg Radiol Anat 2020;42:299 (7 to 38 keeps clear of vessels and canal)"
_ISTHMUS = "less than from the lateral intersection at the same level: common practice, no figure"


@dataclass(frozen=True)
class UsualAngle:
    """A usual range.

    Attributes
    ----------
    low, high : degrees, both included
    source : where the figures stand, in words
    """

    low: float
    high: float
    source: str

    def contains(self, angle_deg: float) -> bool:
        """Return whether an angle lies in the range."""
        return self.low <= angle_deg <= self.high


def _convergence() -> dict[str, UsualAngle]:
    # Teaching pages: T1 25 to 30, falling to about 0 to 5 at T11 and T12 (even steps between are
    # ours); the rule of thumb has 7 to 10 for the thoracic spine.
    found = {}
    for number in range(1, 13):
        steps = min(number, 11) - 1
        low, high = 25 - 2.5 * steps, 30 - 2.5 * steps
        found[f"T{number}"] = UsualAngle(min(low, 7.0), max(high, 10.0), f"{_TEACHING}; {_THUMB}")
    # Dickman: about 5, 10, 15, 20, 25; the rule of thumb 5 to 10 upper (L1 to L3), 10 to 15 lower
    # lumbar; teaching pages L4 20, L5 25 to 30.
    lumbar = {"L1": (0, 10), "L2": (5, 15), "L3": (5, 20), "L4": (10, 25), "L5": (10, 30)}
    for level, (low, high) in lumbar.items():
        more = f"; {_TEACHING}" if level in {"L4", "L5"} else ""
        found[level] = UsualAngle(float(low), float(high), f"{_DICKMAN}; {_THUMB}{more}")
    found["S1"] = UsualAngle(7.0, 38.0, _S1_STUDY)
    return found


def _sagittal() -> dict[str, UsualAngle]:
    # Teaching page: T1 to T11 15 to 20 caudal, T12 and L1 5 caudal, L2 to L5 about 0; the rule of
    # thumb: thoracic 10 to 20 caudal, lumbar none.
    found = {
        f"T{number}": UsualAngle(-20.0, -10.0, f"{_TEACHING}; {_THUMB}") for number in range(1, 12)
    }
    found["T12"] = UsualAngle(-20.0, -5.0 + ABOUT_DEG, f"{_TEACHING}; {_THUMB}")
    found["L1"] = UsualAngle(-5.0 - ABOUT_DEG, 0.0 + ABOUT_DEG, f"{_TEACHING}; {_THUMB}")
    for number in range(2, 6):
        found[f"L{number}"] = UsualAngle(-ABOUT_DEG, ABOUT_DEG, f"{_TEACHING}; {_THUMB}")
    return found


USUAL_CONVERGENCE: Mapping[str, UsualAngle] = MappingProxyType(_convergence())
USUAL_SAGITTAL: Mapping[str, UsualAngle] = MappingProxyType(_sagittal())

# Aimed outwards and upwards by design: lateral 13.8 to 20.9, cranial 17.5 to 24.9, L1 to L5.
_CORTICAL_LEVELS = frozenset(f"L{number}" for number in range(1, 6))
_CORTICAL_CONVERGENCE = UsualAngle(-20.9, -13.8, _CORTICAL)
_CORTICAL_SAGITTAL = UsualAngle(17.5, 24.9, _CORTICAL)
# Whose path is not that of the pedicle, or of which nothing is known.
_NO_RANGE = frozenset({EntryTechnique.IN_OUT_IN.value, EntryTechnique.S2_ALAR_ILIAC.value})


def usual_convergence(level: str, technique: str) -> UsualAngle | None:
    """Return the usual convergence, or None where no figure was readable.

    Parameters
    ----------
    level : code
    technique : entry technique as recorded, a unit's own words too

    Examples
    --------
    >>> found = usual_convergence("L3", "lateral intersection")
    >>> found.low, found.high
    (5.0, 20.0)
    >>> usual_convergence("L3", "isthmus").low, usual_convergence("C5", "cervical pedicle")
    (0.0, None)
    """
    if technique == EntryTechnique.CORTICAL_BONE_TRAJECTORY.value:
        return _CORTICAL_CONVERGENCE if level in _CORTICAL_LEVELS else None
    found = None if technique in _NO_RANGE else USUAL_CONVERGENCE.get(level)
    if found is not None and technique == EntryTechnique.ISTHMUS.value:
        return UsualAngle(0.0, found.high, f"{found.source}; {_ISTHMUS}")
    return found


def usual_sagittal(level: str, technique: str) -> UsualAngle | None:
    """Return the usual sagittal angle, or None where no figure was readable, as at S1.

    Parameters
    ----------
    level, technique : as for `usual_convergence`

    Examples
    --------
    >>> usual_sagittal("T6", "subfacet").low, usual_sagittal("S1", "sacral facet corner")
    (-20.0, None)
    """
    if technique == EntryTechnique.CORTICAL_BONE_TRAJECTORY.value:
        return _CORTICAL_SAGITTAL if level in _CORTICAL_LEVELS else None
    return None if technique in _NO_RANGE else USUAL_SAGITTAL.get(level)
