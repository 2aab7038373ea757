"""How sure the program is of an extent it measured, and when it is too unsure to say one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.measure.extents import bearing_of, screw_edge
from registry.measure.proposals.records import ProposedExtent
from registry.measure.uncertainty import voxel_term_mm

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike

    from registry.measure.axes import SectionFrame
    from registry.measure.cortex import ClosedCurve
    from registry.measure.extents import PedicleExtents, WallExtent

LARGEST_SD_MM = 1.2
"""An extent less sure than this is not said, unless the screw lies far inside the wall."""
PLACE_SD_MM = 0.25
"""Of a place on the cortex in a usual scan: what voxels alone do not account for; on drawings."""
BORDER_DEG = 60.0
"""Lines up to so far from a wall's own direction may belong to it in the next picture: its
sector ends at 45 degrees, and a bearing is not surer than about 15."""

HIDDEN = "metal hides the wall over too long a stretch"
_BEARING = {
    Direction.MEDIAL: 0.0,
    Direction.CRANIAL: 90.0,
    Direction.LATERAL: 180.0,
    Direction.CAUDAL: 270.0,
}


@dataclass(frozen=True, eq=False)
class Sureness:
    """What the uncertainty of one screw's extents depends on.

    Attributes
    ----------
    frame : of the screw's sections
    affine : (4, 4), (i, j, k, 1) to LPS mm
    diameter_sd_mm : of an estimated radius, else 0
    """

    frame: SectionFrame
    affine: ArrayLike
    diameter_sd_mm: float

    def told(
        self, found: PedicleExtents, bordering: Mapping[Direction, float] | None = None
    ) -> tuple[dict[Direction, ProposedExtent], dict[Direction, str]]:
        """Return the extents that are sure enough, and why the others are not.

        Parameters
        ----------
        found : PedicleExtents
        bordering : as `bordering_mm` gives it
        """
        extents: dict[Direction, ProposedExtent] = {}
        hidden: dict[Direction, str] = {}
        for wall, extent in found.by_wall.items():
            sd = self._sd_mm(extent, wall)
            if sd > LARGEST_SD_MM and (extent.margin_mm or 0.0) > -2.0 * sd:
                hidden[wall] = HIDDEN
                continue
            beyond = max(0.0, (bordering or {}).get(wall, 0.0) - extent.extent_mm)
            extents[wall] = ProposedExtent(
                extent.extent_mm,
                math.hypot(sd, beyond / 2.0),
                extent.depth_mm,
                extent.bearing_deg,
                extent.cortex_mm,
                extent.edge_mm,
            )
        return extents, hidden

    def _sd_mm(self, extent: WallExtent, wall: Direction) -> float:
        degrees = _BEARING[wall] if extent.bearing_deg is None else extent.bearing_deg
        bearing = math.radians(degrees)
        across = math.cos(bearing) * self.frame.medial + math.sin(bearing) * self.frame.cranial
        return math.hypot(
            voxel_term_mm(across, self.affine),
            extent.residual_mm,
            PLACE_SD_MM,
            extent.curve_sd_mm,
            self.diameter_sd_mm,
        )


def bordering_mm(
    radius_mm: float, curves: Mapping[float, ClosedCurve], length_mm: float
) -> dict[Direction, float]:
    """Return the greatest extent that would be each wall's if its sector were a little wider.

    A breach on the border between two walls belongs to one or to both by a degree or two; what
    the other would have is part of what is not known.
    """
    edge = screw_edge(radius_mm)
    found = dict.fromkeys(PEDICLE_WALLS, 0.0)
    for depth, curve in curves.items():
        outside = edge[~curve.contains(edge)]
        if not 0.0 <= depth <= length_mm or len(outside) == 0:
            continue
        nearest, _ = curve.nearest_points(outside)
        line = outside - nearest
        bearing, extent = bearing_of(line), np.hypot(*line.T)
        for wall, degrees in _BEARING.items():
            away = np.abs((bearing - degrees + 180.0) % 360.0 - 180.0)
            near = extent[away <= BORDER_DEG]
            if near.size:
                found[wall] = max(found[wall], float(near.max()))
    return found
