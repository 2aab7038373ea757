"""How sure an extent is, as one standard deviation, and whether it is near a cut-off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from registry.measure.axes import unit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from registry.measure.axes import FloatArray, SectionFrame
    from registry.measure.extents import WallExtent

MARKING_SD_MM = 0.3
"""How far a reader's mark lies from where the same reader would set it again; ours, no source."""
UNKNOWN_DIAMETER_SD_MM = 0.4
"""Of the radius where the diameter was estimated from bloomed metal; ours, no source."""
CUT_OFFS_MM = (2.0, 4.0)
LIKELY_SHARE = 0.2


@dataclass(frozen=True)
class ExtentUncertainty:
    """The terms of an extent's uncertainty, each a standard deviation in mm.

    Attributes
    ----------
    voxel_mm : the voxel's size along the extent's line, by the square root of 12: a place known
        only to the voxel is spread evenly over it
    fit_mm : root mean square distance of the marks from the curve
    marking_mm : a mark set again, by the same reader
    bridging_mm : what the curve's place gains in uncertainty where it is carried through a gap
    diameter_mm : of the radius, where the diameter is not the catalogue's
    """

    voxel_mm: float
    fit_mm: float
    marking_mm: float
    bridging_mm: float
    diameter_mm: float

    @property
    def sd_mm(self) -> float:
        """The root of the terms' sum of squares: they are taken as independent."""
        return math.hypot(
            self.voxel_mm, self.fit_mm, self.marking_mm, self.bridging_mm, self.diameter_mm
        )


def voxel_term_mm(direction: ArrayLike, affine: ArrayLike) -> float:
    """Return the standard deviation that the voxels alone give along a direction.

    sqrt(sum over the voxel's three axes of (cosine x size)^2 / 12): in-plane size across the
    slices, their step along them, and in between for an oblique line.

    Parameters
    ----------
    direction : (3,), LPS, any length
    affine : (4, 4), (i, j, k) to LPS mm

    Examples
    --------
    >>> round(voxel_term_mm((0, 0, 1), np.diag([0.5, 0.5, 1.2, 1.0])), 4)
    0.3464
    """
    matrix = np.asarray(affine, dtype=np.float64)[:3, :3]
    sizes = np.linalg.norm(matrix, axis=0)
    cosines = unit(direction) @ (matrix / sizes)
    return float(np.sqrt(((cosines * sizes) ** 2).sum() / 12.0))


def extent_uncertainty(
    extent: WallExtent,
    frame: SectionFrame,
    affine: ArrayLike,
    marking_mm: float = MARKING_SD_MM,
    *,
    is_diameter_known: bool = True,
) -> ExtentUncertainty:
    """Return the uncertainty of an extent measured in sections.

    Parameters
    ----------
    extent : WallExtent, from a closed curve or an open wall
    frame : SectionFrame, of any of the screw's sections: all share their directions
    affine : (4, 4), (i, j, k) to LPS mm
    marking_mm : float, the reader's own standard deviation of a mark
    is_diameter_known : False widens it by the estimated radius's 0.4 mm
    """
    if extent.bearing_deg is None:
        direction = frame.normal
    else:
        bearing = math.radians(extent.bearing_deg)
        direction = math.cos(bearing) * frame.medial + math.sin(bearing) * frame.cranial
    return ExtentUncertainty(
        voxel_mm=voxel_term_mm(direction, affine),
        fit_mm=extent.residual_mm,
        marking_mm=marking_mm,
        bridging_mm=extent.curve_sd_mm,
        diameter_mm=0.0 if is_diameter_known else UNKNOWN_DIAMETER_SD_MM,
    )


def calliper_uncertainty(
    bearing_deg: float, frame: SectionFrame, affine: ArrayLike, marking_mm: float = MARKING_SD_MM
) -> ExtentUncertainty:
    """Return the uncertainty of a calliper's length: both its ends are set by hand."""
    bearing = math.radians(bearing_deg)
    direction: FloatArray = math.cos(bearing) * frame.medial + math.sin(bearing) * frame.cranial
    return ExtentUncertainty(
        voxel_mm=voxel_term_mm(direction, affine),
        fit_mm=0.0,
        marking_mm=math.sqrt(2.0) * marking_mm,
        bridging_mm=0.0,
        diameter_mm=0.0,
    )


def near_cut_off(
    extent_mm: float,
    sd_mm: float,
    cut_offs_mm: Sequence[float] = CUT_OFFS_MM,
    share: float = LIKELY_SHARE,
) -> bool:
    """Tell whether the other side of one of the cut-offs is likelier than a share.

    The true extent is taken as normal about the measured one: the other side of cut-off c has
    probability Phi(-|extent - c| / sd).

    Examples
    --------
    >>> near_cut_off(1.6, 0.5), near_cut_off(1.5, 0.5)  # 0.212 and 0.159
    (True, False)
    """
    if sd_mm <= 0.0:
        return False
    return any(
        0.5 * math.erfc(abs(extent_mm - cut_off) / (sd_mm * math.sqrt(2.0))) > share
        for cut_off in cut_offs_mm
    )
