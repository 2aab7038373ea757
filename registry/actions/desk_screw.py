"""The screw on the desk: what its reader may know of it, and the image behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from registry.actions.image_notes import image_notes
from registry.actions.worklist import blind_screw
from registry.domain.directions import Direction, Side
from registry.domain.levels import level
from registry.domain.scales import SCALES, scale_note
from registry.measure.axes import Midplane, ScrewAxis, point, section_frame, unit

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.domain.levels import Level
    from registry.measure.axes import Point, SectionFrame
    from registry.store.home import Ledger
    from registry.store.images import Image


@dataclass(frozen=True)
class DeskScrew:
    """A screw as the desk's page shows it; it leads to no case, scan or image.

    Attributes
    ----------
    assignment_id : names the owed reading
    level, side, number, role : which screw, which of its readings
    diameter_mm : as catalogued, None where not known
    is_blind : False where the reader entered the case or matched its scan
    is_practice : the screw is drawn, and its reader knows so
    closes_a_ring : whether the level's pedicle bone closes in itself, so that an outline is marked
    needed_walls : without which there is no grade; none where the level has no pedicle grade
    scale_title, scale_bounds, scale_note : of the unit's scale
    cut_offs_mm : near which a reading asks for a second
    image_notes : what is to be known of the image, nothing of whose it is
    """

    assignment_id: int
    level: str
    side: Side
    number: int
    role: str
    diameter_mm: float | None
    is_blind: bool
    is_practice: bool
    closes_a_ring: bool
    needed_walls: tuple[Direction, ...]
    scale_title: str
    scale_bounds: str
    scale_note: str
    cut_offs_mm: tuple[float, ...]
    image_notes: tuple[str, ...]


@dataclass(frozen=True)
class OpenedScrew:
    """A screw with its image, for work inside the actions; never handed to a page."""

    level: Level
    side: Side
    diameter_mm: float | None
    image: Image
    number: int = 1


@dataclass(frozen=True)
class Placing:
    """Where the reader set the screw.

    Attributes
    ----------
    axis : entry and tip, LPS
    midplane_mm : two points of the vertebra's midplane at the same height or not, LPS, or None;
        the plane holds both and the scan's head-to-foot direction
    endplate_mm : the front and the back end of the vertebra's upper endplate, LPS, or None; the
        plane holds both and stands square to the midplane
    """

    axis: ScrewAxis
    midplane_mm: tuple[Point, Point] | None = None
    endplate_mm: tuple[Point, Point] | None = None

    @property
    def midplane(self) -> Midplane | None:
        """The vertebra's midplane, or None where the reader set none."""
        if self.midplane_mm is None:
            return None
        (x, y, _), (other_x, other_y, _) = self.midplane_mm
        return Midplane(self.midplane_mm[0], point(unit((y - other_y, other_x - x, 0.0))))

    @property
    def endplate_normal(self) -> Point | None:
        """The upper endplate's normal, LPS; None without both its ends and a midplane."""
        midplane = self.midplane
        if self.endplate_mm is None or midplane is None:
            return None
        along = np.subtract(*self.endplate_mm)
        return point(unit(np.cross(along, midplane.normal)))

    def frame(self, depth_mm: float, side: Side) -> SectionFrame:
        """Return the frame of the section at a depth."""
        return section_frame(self.axis, depth_mm, side, self.midplane)

    def frames(self, depths_mm: Sequence[float], side: Side) -> list[SectionFrame]:
        """Return one frame a depth."""
        return [self.frame(depth, side) for depth in depths_mm]


def desk_screw(ledger: Ledger, viewer: Viewer, assignment_id: int, now: datetime) -> DeskScrew:
    """Return the screw to be read; NotFoundError where it is not the viewer's to read."""
    screw = blind_screw(ledger, viewer, assignment_id, now)
    at, settings = level(screw.level), ledger.settings
    return DeskScrew(
        assignment_id=screw.assignment_id,
        level=screw.level,
        side=Side(screw.side),
        number=screw.number,
        role=screw.role,
        diameter_mm=None if screw.diameter_mm is None else float(screw.diameter_mm),
        is_blind=not screw.is_last,
        is_practice=screw.is_practice,
        closes_a_ring=closes_a_ring(at),
        needed_walls=tuple(wall for wall in Direction if wall in at.needed_walls),
        scale_title=SCALES[settings.scale].title,
        scale_bounds=SCALES[settings.scale].bounds,
        scale_note=scale_note(screw.level, settings.scale) if at.has_pedicle_grade else "",
        cut_offs_mm=tuple(float(cut_off) for cut_off in settings.cut_offs_mm),
        image_notes=image_notes(ledger, screw.image_digest),
    )


def open_screw(ledger: Ledger, viewer: Viewer, assignment_id: int, now: datetime) -> OpenedScrew:
    """Return the screw with its image; NotFoundError where it is not the viewer's to read."""
    screw = blind_screw(ledger, viewer, assignment_id, now)
    diameter = None if screw.diameter_mm is None else float(screw.diameter_mm)
    image = ledger.images.open(screw.image_digest)
    return OpenedScrew(level(screw.level), Side(screw.side), diameter, image, screw.number)


def closes_a_ring(at: Level) -> bool:
    """Return whether a level's pedicle closes in itself: everywhere but at S1."""
    return at.code != "S1"
