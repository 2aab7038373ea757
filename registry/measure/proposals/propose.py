"""Everything the program can say of a scan's screws by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.measure.proposals.finding import find_screws
from registry.measure.proposals.matching import match_screws
from registry.measure.proposals.placed import Placed, measure_placed
from registry.measure.proposals.records import ScanProposal
from registry.measure.proposals.swelling import without_swelling

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from registry.measure.proposals.finding import FoundScrew
    from registry.measure.proposals.records import LoggedScrew
    from registry.measure.sampling import Voxels


def propose(voxels: Voxels, affine: ArrayLike, logged: Sequence[LoggedScrew]) -> ScanProposal:
    """Return every screw that is found in a scan with what can be measured of it.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU, may be a read-only memory map
    affine : (4, 4), (i, j, k, 1) to LPS mm
    logged : the screws that the theatre log has
    """
    matching = match_screws(find_screws(voxels, affine), logged, voxels, affine)
    placed = [_placed(screw, found) for screw, found in without_swelling(matching.matched)]
    return ScanProposal(
        measure_placed(voxels, affine, placed),
        matching.unmatched,
        matching.missing,
        matching.notes,
    )


def _placed(logged: LoggedScrew, found: FoundScrew) -> Placed:
    diameter = found.diameter_mm if logged.diameter_mm is None else logged.diameter_mm
    return Placed(logged, found.axis, diameter, is_diameter_estimated=logged.diameter_mm is None)
