"""One post-operative study of the invented patient, and what is known of its screws."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from .draw import SPACING_MM, affine_of, draw_volume, grid_of
from .files import PatientIdentity, StudyLabels, write_axial, write_capture, write_scout
from .placement import PlacedScrew, place_all
from .truth import ScrewLine, anterior_extent, pedicle_extents, pedicle_sections
from .vertebra import Vertebra, build_vertebrae

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    import numpy as np
    import numpy.typing as npt

    from .levels import Vector

__all__ = ["DrawnScrew", "DrawnStudy", "PatientIdentity", "draw_study", "drawn_screws", "volume"]


@dataclass(frozen=True)
class DrawnScrew:
    """A drawn screw and the truth of it, which no file of the study holds.

    Points are LPS millimetres. `extents_mm` holds medial, lateral, cranial, caudal, anterior,
    body_lateral and endplate, to 0.01 mm.
    """

    level: str
    side: str
    number: int
    diameter_mm: float
    length_mm: float
    entry_mm: tuple[float, float, float]
    tip_mm: tuple[float, float, float]
    entry_technique: str
    guidance: str
    extents_mm: dict[str, float]


@dataclass(frozen=True)
class DrawnStudy:
    """What was written: `affine` takes array indices (k, j, i, 1) to LPS millimetres.

    `shape` is slices, rows, columns, slices from caudal to cranial; `files` lists the axial
    slices from cranial to caudal, then the localizer and the secondary capture.
    """

    screws: tuple[DrawnScrew, ...]
    affine: Vector
    shape: tuple[int, int, int]
    files: tuple[Path, ...]


def volume(
    seed: int,
    *,
    spacing_mm: tuple[float, float] = SPACING_MM,
    levels: tuple[str, ...] | None = None,
) -> tuple[npt.NDArray[np.int16], Vector]:
    """Return the CT in Hounsfield units, [k, j, i], and its affine from (k, j, i, 1) to LPS.

    `spacing_mm` is in plane and between slices; `levels` keeps 20 mm round those named.
    """
    grid = grid_of(spacing_mm, levels)
    return draw_volume(seed, grid), affine_of(grid)


def draw_study(
    folder: Path, *, seed: int, identity: PatientIdentity, operated_on: date, scanned_on: date
) -> DrawnStudy:
    """Draw the study into `folder`: axial/IM0001.dcm and on, scout.dcm, capture.dcm."""
    grid = grid_of(SPACING_MM, None)
    voxels = draw_volume(seed, grid)
    labels = StudyLabels(identity, scanned_on, operated_on, seed)
    files = write_axial(folder / "axial", labels, grid, voxels)
    files.append(write_scout(folder / "scout.dcm", labels, grid, voxels))
    files.append(write_capture(folder / "capture.dcm", labels, grid, voxels))
    return DrawnStudy(drawn_screws(), affine_of(grid), grid.shape, tuple(files))


def draw_axial(
    folder: Path,
    *,
    seed: int,
    identity: PatientIdentity,
    days: tuple[date, date],
    spacing_mm: tuple[float, float],
    levels: tuple[str, ...],
) -> None:
    """Draw a part of the study, its axial slices alone; `days` are of operation and scan."""
    grid = grid_of(spacing_mm, levels)
    labels = StudyLabels(identity, days[1], days[0], seed)
    write_axial(folder, labels, grid, draw_volume(seed, grid))


@cache
def drawn_screws() -> tuple[DrawnScrew, ...]:
    """Return every screw of the construct with its extents, cranial first, left before right."""
    vertebrae = build_vertebrae()
    return tuple(_drawn(screw, vertebrae[screw.plan.level]) for screw in place_all(vertebrae))


def line_of(screw: PlacedScrew, vertebra: Vertebra) -> ScrewLine:
    """Return the axis and edge that the truth is measured on."""
    return ScrewLine(
        screw.entry,
        screw.tip,
        screw.plan.diameter_mm / 2,
        screw.plan.side,
        vertebra.frame.axes[:, 0],
    )


def _drawn(screw: PlacedScrew, vertebra: Vertebra) -> DrawnScrew:
    plan, line, outer = screw.plan, line_of(screw, vertebra), vertebra.outer_distance
    sections = pedicle_sections(outer, line, vertebra.pedicle_axis(plan.side))
    extents = pedicle_extents(outer, line, sections)
    extents["anterior"] = anterior_extent(outer, line, -vertebra.frame.axes[:, 1])
    # The plans keep every shank off the body's side walls and endplates.
    extents["body_lateral"] = extents["endplate"] = 0.0
    return DrawnScrew(
        plan.level,
        plan.side,
        1,
        plan.diameter_mm,
        plan.length_mm,
        _point(screw.entry),
        _point(screw.tip),
        plan.entry_technique,
        plan.guidance,
        {wall: round(extent, 2) for wall, extent in extents.items()},
    )


def _point(position: Vector) -> tuple[float, float, float]:
    x, y, z = (round(float(part), 3) for part in position)
    return x, y, z
