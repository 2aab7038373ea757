"""What can be measured of screws whose place in a scan is known, vertebra by vertebra."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from registry.measure.angles import convergence_deg, sagittal_deg
from registry.measure.axes import point, section_frame
from registry.measure.proposals.body_extents import Sizes, body_extents
from registry.measure.proposals.likes import opposite
from registry.measure.proposals.measuring import (
    Shank,
    look_about,
    measure_pedicle,
    without_body,
)
from registry.measure.proposals.records import ProposedScrew
from registry.measure.proposals.vertebrae import SidedAxis, find_body, vertebra_frames

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike

    from registry.domain.directions import Direction
    from registry.measure.axes import Midplane, Point, ScrewAxis
    from registry.measure.proposals.body_extents import Body
    from registry.measure.proposals.carried import Like
    from registry.measure.proposals.measuring import Look, PedicleFound
    from registry.measure.proposals.midplane import VertebraFrame
    from registry.measure.proposals.records import LoggedScrew, ProposedExtent
    from registry.measure.sampling import Voxels

NO_MIDPLANE = "the vertebra's midplane was not found"
NO_BODY = "the body's surface was not found"
BODY_SD_MM = 0.5


@dataclass(frozen=True)
class Placed:
    """A screw of the log and where it was found; sizes in mm."""

    logged: LoggedScrew
    axis: ScrewAxis
    diameter_mm: float
    is_diameter_estimated: bool


def measure_placed(
    voxels: Voxels, affine: ArrayLike, placed: Sequence[Placed]
) -> tuple[ProposedScrew, ...]:
    """Return what can be measured of screws whose place is known, in their order."""
    by_level: dict[str, list[SidedAxis]] = {}
    for each in placed:
        by_level.setdefault(each.logged.level, []).append(SidedAxis(each.logged.side, each.axis))
    frames = vertebra_frames(voxels, affine, by_level)
    looks = [_look(voxels, affine, each, frames.get(each.logged.level)) for each in placed]
    pedicles = [
        measure_pedicle(look, _likes(number, placed, looks), affine)
        for number, look in enumerate(looks)
    ]
    bodies = _bodies(voxels, affine, placed, pedicles, frames)
    return tuple(
        _screw(each, pedicle, frames.get(each.logged.level), bodies.get(each.logged.level))
        for each, pedicle in zip(placed, pedicles, strict=True)
    )


def _look(voxels: Voxels, affine: ArrayLike, placed: Placed, frame: VertebraFrame | None) -> Look:
    shank = Shank(
        placed.axis,
        placed.logged.side,
        placed.diameter_mm,
        placed.is_diameter_estimated,
        closes_a_ring=placed.logged.level != "S1",
    )
    return look_about(voxels, affine, shank, None if frame is None else frame.midplane)


def _likes(number: int, placed: Sequence[Placed], looks: Sequence[Look]) -> list[Like]:
    """Return the pedicles that should look like one screw's."""
    own = placed[number].logged
    found = (
        opposite(looks[number], look)
        for each, look in zip(placed, looks, strict=True)
        if each.logged.level == own.level and each.logged.side is not own.side
    )
    return [like for like in found if like is not None]


def _bodies(
    voxels: Voxels,
    affine: ArrayLike,
    placed: Sequence[Placed],
    pedicles: Sequence[PedicleFound],
    frames: Mapping[str, VertebraFrame],
) -> dict[str, tuple[Body | None, Point | None]]:
    """Return each level's body and the normal of its upper endplate, where they are found."""
    found: dict[str, tuple[Body | None, Point | None]] = {}
    for name, frame in frames.items():
        near = [
            pedicle
            for each, pedicle in zip(placed, pedicles, strict=True)
            if each.logged.level == name and pedicle.isthmus_mm is not None
        ]
        if not near:
            continue
        middle = np.mean([each.isthmus_mm for each in near if each.isthmus_mm is not None], axis=0)
        body, upper = find_body(voxels, affine, frame, near[0].tissue, middle)
        centre = (0.0, upper.middle_mm[1]) if upper and body is None else None
        if body is not None:
            centre = body.wall.centre_mm
        normal = None
        if upper is not None and centre is not None:
            normal = point(upper.normal(*centre) @ frame.axes)
        found[name] = (body, normal)
    return found


def _screw(
    placed: Placed,
    pedicle: PedicleFound,
    frame: VertebraFrame | None,
    level_found: tuple[Body | None, Point | None] | None,
) -> ProposedScrew:
    midplane = None if frame is None else frame.midplane
    body, normal = level_found or (None, None)
    extents: dict[Direction, ProposedExtent] = dict(pedicle.extents)
    not_measured = dict(pedicle.not_measured)
    if body is None:
        not_measured |= without_body(NO_MIDPLANE if frame is None else NO_BODY)
    else:
        extents |= _beyond_body(placed, pedicle, body, midplane)
    return ProposedScrew(
        logged=placed.logged,
        axis=placed.axis,
        diameter_mm=placed.diameter_mm,
        is_diameter_estimated=placed.is_diameter_estimated,
        extents=extents,
        not_measured=not_measured,
        outlines=pedicle.outlines,
        midplane=midplane,
        endplate_normal=normal,
        convergence_deg=convergence_deg(placed.axis, midplane),
        sagittal_deg=sagittal_deg(placed.axis, normal),
    )


def _beyond_body(
    placed: Placed, pedicle: PedicleFound, body: Body, midplane: Midplane | None
) -> dict[Direction, ProposedExtent]:
    length = placed.axis.length_mm
    last = pedicle.last_mm if pedicle.last_mm is not None else 0.5 * length
    section = section_frame(placed.axis, 0.0, placed.logged.side, midplane)
    sizes = Sizes(placed.diameter_mm / 2.0, min(last, length))
    return body_extents(body, placed.axis, section, sizes, BODY_SD_MM)
