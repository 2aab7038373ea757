"""The truth of a scene's screws: seven extents and two angles, measured on bone without metal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..solids import Grid, coordinates_of
from ..truth import (
    CELL_MM,
    EDGE_POINTS,
    WALLS,
    ScrewLine,
    Section,
    nearest_on,
    pedicle_extents,
    pedicle_sections,
    segments_of,
    walls_of,
)
from .sacrum import Sacrum
from .surface import Surface

if TYPE_CHECKING:
    from ..levels import Vector
    from ..placement import PlacedScrew
    from ..solids import Field
    from .spine import Bony

BODY_WALLS = ("anterior", "body_lateral", "endplate")
SACRAL_DEPTH_MM = 14.0
FORWARDS_DEG = 45.0
_WINDOW_MM = 18.0
_STEP_MM = 0.5
_BODY_STEP_MM = 1.0
_BODY_EDGE_POINTS = 72
# Cortex is the body's where its surface is this near and nearer than the pedicles'.
_OF_BODY_MM = 0.8


@dataclass(frozen=True)
class Measured:
    """One screw's truth; extents in millimetres, None where the rule gives none; angles."""

    extents_mm: dict[str, float | None]
    convergence_deg: float
    sagittal_deg: float
    midplane_point_mm: Vector
    midplane_normal: Vector
    endplate_normal: Vector


def measure(screw: PlacedScrew, bone: Bony) -> Measured:
    """Return the truth of one screw; all in LPS."""
    side, frame = screw.plan.side, bone.frame
    line = ScrewLine(screw.entry, screw.tip, screw.plan.diameter_mm / 2, side, frame.axes[:, 0])
    extents: dict[str, float | None]
    if isinstance(bone, Sacrum):
        extents = dict(_sacral_extents(bone, line))
        first_mm = SACRAL_DEPTH_MM
    else:
        extents, first_mm = _ringed_extents(bone, line)
    extents.update(_body_extents(bone, line, first_mm))
    normal = endplate_normal(bone)
    inwards = frame.axes[:, 0] * (
        -1.0 if (screw.entry - frame.origin) @ frame.axes[:, 0] > 0 else 1.0
    )
    return Measured(
        extents,
        float(np.degrees(np.arcsin(line.forward @ inwards))),
        float(np.degrees(np.arcsin(line.forward @ normal))),
        frame.origin,
        frame.axes[:, 0],
        normal,
    )


def endplate_normal(bone: Bony) -> Vector:
    """Return the upper endplate's normal, LPS, pointing up."""
    fall = np.radians(bone.shape.wedge_deg)
    return np.asarray(bone.frame.turned((0.0, -np.sin(fall), np.cos(fall))))


def sections_of(bone: Bony, line: ScrewLine) -> tuple[Section, ...]:
    """Return the pedicle's sections that extents are taken over; none where none closes."""
    try:
        return pedicle_sections(bone.outer_distance, line, bone.pedicle_axis(line.side), _WINDOW_MM)
    except ValueError:
        return ()


def _ringed_extents(bone: Bony, line: ScrewLine) -> tuple[dict[str, float | None], float]:
    sections = sections_of(bone, line)
    if not sections:
        return dict.fromkeys(WALLS, None), float(
            (bone.pedicle_axis(line.side).isthmus - line.entry) @ line.forward
        )
    found = pedicle_extents(bone.outer_distance, line, sections)
    return {wall: round(extent, 2) for wall, extent in found.items()}, sections[-1].depth_mm


def _sacral_extents(bone: Sacrum, line: ScrewLine) -> dict[str, float | None]:
    """Return the medial and caudal extents of S1: into canal and foramina, over the first 14 mm."""
    extents: dict[str, float | None] = dict.fromkeys(WALLS, None)
    extents["medial"] = extents["caudal"] = 0.0
    medial, cranial = line.section_axes()
    angles = np.linspace(0, 2 * np.pi, EDGE_POINTS, endpoint=False)
    edge = line.radius_mm * np.column_stack([np.cos(angles), np.sin(angles)])
    plane = np.stack([medial, cranial])
    for depth in np.arange(0.0, SACRAL_DEPTH_MM + 1e-6, _STEP_MM):
        origin = line.entry + depth * line.forward
        points = coordinates_of(origin + edge @ plane)
        outside = (bone.outer_distance(points) > 0) & (bone.hollow_distance(points) < _STEP_MM)
        if not outside.any():
            continue
        away = edge[outside] - nearest_on(_contour(bone, origin, plane), edge[outside])
        distances = np.linalg.norm(away, axis=1)
        for wall, distance in zip(walls_of(away), distances, strict=True):
            known = extents[wall]
            if known is not None:
                extents[wall] = round(max(known, float(distance)), 2)
    return extents


def _contour(bone: Bony, origin: Vector, plane: Vector) -> Vector:
    """Return all of the bone's outline in one plane near the screw, as segments."""
    ticks = np.arange(-_WINDOW_MM, _WINDOW_MM + 1e-6, CELL_MM)

    def values_at(flat: Vector) -> Vector:
        return np.asarray(bone.outer_distance(coordinates_of(origin + flat @ plane)), dtype=float)

    across, upright = np.meshgrid(ticks, ticks, indexing="ij")
    values = values_at(np.stack([across.ravel(), upright.ravel()], axis=1)).reshape(across.shape)
    return segments_of(values, ticks, np.zeros(2), values_at)


def _body_extents(bone: Bony, line: ScrewLine, first_mm: float) -> dict[str, float | None]:
    """Return how far the tip stands in front of the body and the shank beside or above it.

    The shank's edge is looked at past the pedicle's last section and in front of the body's back
    wall. The nearest place of the outer cortex tells by its normal which wall was crossed.
    """
    extents: dict[str, float | None] = dict.fromkeys(BODY_WALLS, 0.0)
    frame, length = bone.frame, float(np.linalg.norm(line.tip - line.entry))
    medial, cranial = line.section_axes()
    angles = np.linspace(0, 2 * np.pi, _BODY_EDGE_POINTS, endpoint=False)
    ring = line.radius_mm * (np.outer(np.cos(angles), medial) + np.outer(np.sin(angles), cranial))
    depths = np.append(np.arange(first_mm, length, _BODY_STEP_MM), length)
    points = (line.entry + depths[:, np.newaxis, np.newaxis] * line.forward + ring).reshape(-1, 3)
    back = (points - frame.origin) @ frame.axes[:, 1]
    points = points[back < bone.shape.half_depth_mm]
    points = np.concatenate([points, line.tip[np.newaxis]])
    outside = bone.outer_distance(coordinates_of(points)) > 0
    if not outside.any():
        return extents
    surface = Surface.of(bone, Grid(*_ticks_round(points[outside], bone)))
    distances, places, normals = surface.nearest(points[outside])
    local = normals @ frame.axes
    wall = np.abs(local).argmax(axis=1)
    at = coordinates_of(places)
    of_body = bone.body_distance(at) < np.minimum(bone.pedicle_distance(at), _OF_BODY_MM)
    is_tip = np.flatnonzero(outside) == len(points) - 1
    if is_tip[-1]:
        faces = -local[-1, 1] >= np.cos(np.radians(FORWARDS_DEG))
        extents["anterior"] = round(float(distances[-1]), 2) if faces else 0.0
    if isinstance(bone, Sacrum):
        # The first body is fused to the second: it has an upper endplate alone.
        of_body &= local[:, 2] > 0
    for name, axis in (("body_lateral", 0), ("endplate", 2)):
        there = (wall == axis) & of_body & ~is_tip
        if there.any():
            extents[name] = round(float(distances[there].max()), 2)
    if isinstance(bone, Sacrum):
        # The alae have no side wall that a screw could leave the body through.
        extents["body_lateral"] = None
    return extents


def _ticks_round(points: Vector, bone: Bony) -> list[Field]:
    """Return grid lines that hold the points and the bone near them, half a millimetre apart."""
    lower, upper = bone.corners()
    low = np.maximum(points.min(axis=0) - 14.0, np.minimum(lower, points.min(axis=0)))
    high = np.minimum(points.max(axis=0) + 14.0, np.maximum(upper, points.max(axis=0)))
    return [
        np.arange(start, end + 0.5, 0.5, dtype=np.float32)
        for start, end in zip(low, high, strict=True)
    ]
