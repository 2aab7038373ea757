"""A scene drawn: voxels, affine and truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from ..bone import Edge
from ..draw import Look, Subject, add_grain, draw_subject
from ..placement import PlacedScrew, place
from ..solids import Grid
from ..tissue import SoftBody
from .hardware import metal_of
from .spine import about, bones_of, moved, slices_in_patient, upright_frames
from .truth import measure

if TYPE_CHECKING:
    import numpy.typing as npt

    from ..levels import Frame, Vector
    from .scene import Scanner, Scene
    from .spine import Bony

_THICKEST_DRAWN_MM = 1.0
_TWELVE_BIT_HU = (-1024, 3071)
_EXTENDED_HU = (-1024, 31743)
_CAUDAL_MM, _CRANIAL_MM = 30.0, 24.0
_Triple = tuple[float, float, float]


@dataclass(frozen=True)
class TrueScrew:
    """One screw and its truth; points and directions in LPS, millimetres and degrees.

    `entry_mm` is where the shank leaves the head. `extents_mm` holds medial, lateral, cranial,
    caudal, anterior, body_lateral and endplate: 0 where the screw stands within, None where the
    rule gives no number (lateral and cranial at S1; a pedicle that closes nowhere).
    """

    level: str
    side: str
    number: int
    diameter_mm: float
    length_mm: float
    entry_mm: _Triple
    tip_mm: _Triple
    extents_mm: dict[str, float | None]
    convergence_deg: float
    sagittal_deg: float
    midplane_point_mm: _Triple
    midplane_normal: _Triple
    endplate_normal: _Triple
    is_logged: bool
    is_drawn: bool
    aim: str


@dataclass(frozen=True)
class Posed:
    """A scene's bones and screws twice: in LPS, and in the coordinates of its voxel grid."""

    scene: Scene

    @cached_property
    def grid_in_patient(self) -> Vector:
        """The grid's x, y and z directions in LPS as columns, before any flip."""
        return slices_in_patient(self.scene.scanner)

    @cached_property
    def upright(self) -> dict[str, Frame]:
        """The frames before the patient is rolled, in LPS about the spine's middle."""
        return upright_frames(self.scene.anatomy.shapes)

    @cached_property
    def patient_frames(self) -> dict[str, Frame]:
        """The frames in LPS."""
        scanner = self.scene.scanner
        return moved(self.upright, about(2, scanner.roll_deg), np.array(scanner.offset_mm))

    @cached_property
    def grid_frames(self) -> dict[str, Frame]:
        """The frames in the grid's coordinates."""
        turn = self.grid_in_patient.T
        return moved(self.patient_frames, turn, -turn @ np.array(self.scene.scanner.offset_mm))

    @cached_property
    def bones(self) -> dict[str, Bony]:
        """The bones in LPS by level, cranial first."""
        return bones_of(self.scene.anatomy, self.patient_frames)

    @cached_property
    def screws(self) -> tuple[PlacedScrew, ...]:
        """The screws in LPS, in the scene's order."""
        return self.placed_in(self.bones)

    def placed_in(self, bones: dict[str, Bony]) -> tuple[PlacedScrew, ...]:
        """Return the scene's screws in the coordinates of `bones`."""
        placed = []
        for wanted in self.scene.screws:
            screw = place(wanted.plan, bones[wanted.plan.level])
            back = -wanted.proud_mm * screw.forward
            placed.append(PlacedScrew(screw.plan, screw.entry + back, screw.tip + back))
        return tuple(placed)


def draw_scene(scene: Scene) -> tuple[npt.NDArray[np.int16], Vector, tuple[TrueScrew, ...]]:
    """Return voxels in Hounsfield units, their affine, and the truth of every screw.

    Voxels are indexed [k, j, i] (slice, row, column). The affine (4, 4) maps (i, j, k, 1), column
    first, to LPS millimetres at the voxel's centre. It may be oblique, its i and j may run right
    or forwards (prone, feet first) and its k either way. The truth is in the scene's order, the
    screws that are missing from the scan included.
    """
    posed = Posed(scene)
    grid, parts = _grid(posed)
    voxels = _drawn(posed, grid, parts)
    flips = _flips(scene.scanner)
    affine = _affine(posed, grid, flips, parts)
    steps = tuple(slice(None, None, int(step)) for step in flips[::-1])
    return np.ascontiguousarray(voxels[steps]), affine, true_screws(scene)


def true_screws(scene: Scene) -> tuple[TrueScrew, ...]:
    """Return the truth of every screw of a scene, in its order, without drawing it."""
    posed = Posed(scene)
    told = []
    for wanted, screw in zip(scene.screws, posed.screws, strict=True):
        found = measure(screw, posed.bones[screw.plan.level])
        told.append(
            TrueScrew(
                screw.plan.level,
                screw.plan.side,
                wanted.number,
                screw.plan.diameter_mm,
                screw.plan.length_mm,
                _triple(screw.entry),
                _triple(screw.tip),
                found.extents_mm,
                round(found.convergence_deg, 2),
                round(found.sagittal_deg, 2),
                _triple(found.midplane_point_mm),
                _triple(found.midplane_normal, 6),
                _triple(found.endplate_normal, 6),
                wanted.is_logged,
                wanted.is_drawn,
                wanted.aim,
            )
        )
    return tuple(told)


def _grid(posed: Posed) -> tuple[Grid, int]:
    """Return the grid that is drawn, slices thinner than the scanner's, and how many make one."""
    scanner, frames = posed.scene.scanner, posed.grid_frames
    bones = bones_of(posed.scene.anatomy, frames)
    origins = np.array([frame.origin for frame in frames.values()])
    trunk = [bone.shape.half_width_mm + scanner.margin_mm for bone in bones.values()]
    left = max(origin[0] + half for origin, half in zip(origins, trunk, strict=True))
    right = min(origin[0] - half for origin, half in zip(origins, trunk, strict=True))
    front = min(
        f.origin[1] - b.shape.half_depth_mm
        for f, b in zip(frames.values(), bones.values(), strict=True)
    )
    back = max(bone.corners()[1][1] for bone in bones.values())
    front, back = front - scanner.margin_mm * 0.7, back + scanner.margin_mm * 0.5
    levels = {screw.plan.level for screw in posed.scene.screws}
    heights = [frames[level].origin[2] for level in levels] or list(origins[:, 2])
    parts = max(1, int(np.ceil(scanner.slice_mm / _THICKEST_DRAWN_MM)))
    fine = scanner.slice_mm / parts
    count = int((max(heights) - min(heights) + _CAUDAL_MM + _CRANIAL_MM) / scanner.slice_mm) * parts
    z = min(heights) - _CAUDAL_MM + np.arange(count) * fine
    x = np.arange(right, left, scanner.in_plane_mm)
    y = np.arange(front, back, scanner.in_plane_mm)
    return Grid(*(axis.astype(np.float32) for axis in (x, y, z))), parts


def _drawn(posed: Posed, grid: Grid, parts: int) -> npt.NDArray[np.int16]:
    scene, scanner = posed.scene, posed.scene.scanner
    frames = posed.grid_frames
    bones = bones_of(scene.anatomy, frames)
    placed = tuple(zip(scene.screws, posed.placed_in(bones), strict=True))
    turn = about(2, -scanner.roll_deg)
    soft = SoftBody(
        moved(frames, turn, np.zeros(3)),
        scene.anatomy.shapes,
        _reach(scene),
        scanner.roll_deg,
        scene.hardware.graft,
    )
    subject = Subject(
        scene.anatomy.shapes,
        frames,
        tuple(bones.values()),
        soft,
        tuple(metal_of(scene, placed, bones)),
    )
    in_plane = scanner.in_plane_mm
    fine = scanner.slice_mm / parts
    look = Look(
        replace(scene.bone, grain_step=(1.0 / fine, 0.45 / in_plane)),
        Edge(scanner.sharpness_mm, scanner.overshoot),
        scanner.streaks,
        scanner.grain_hu,
        (0.45, max(0.4, scanner.grain_mm / in_plane)),
        scanner.bloom_mm,
    )
    generator = np.random.default_rng(scene.seed)
    volume = draw_subject(grid, subject, look, generator)
    if parts > 1:
        volume = volume.reshape(-1, parts, *volume.shape[1:]).mean(axis=1)
    add_grain(volume, generator, look)
    low, high = _TWELVE_BIT_HU if scanner.is_twelve_bit else _EXTENDED_HU
    return np.clip(np.rint(volume), low, high).astype(np.int16)


def _reach(scene: Scene) -> tuple[str, str]:
    """Return the highest and the lowest level operated on."""
    operated = {screw.plan.level for screw in scene.screws}
    levels = [level for level in scene.anatomy.levels if level in operated]
    levels = levels or list(scene.anatomy.levels)
    return levels[0], levels[-1]


def _flips(scanner: Scanner) -> Vector:
    """Return 1 or -1 for i, j and k: which way each index runs along the grid's directions."""
    flips = np.array([1, 1, 1 if scanner.slices_run_up else -1])
    if scanner.is_prone:
        flips[:2] *= -1
    if scanner.is_feet_first:
        flips[0] *= -1
    return flips


def _affine(posed: Posed, grid: Grid, flips: Vector, parts: int) -> Vector:
    scanner, directions = posed.scene.scanner, posed.grid_in_patient
    steps = np.array([scanner.in_plane_mm, scanner.in_plane_mm, scanner.slice_mm])
    z = grid.z.reshape(-1, parts).mean(axis=1, dtype=np.float64)
    ends = [
        axis[0 if flip > 0 else -1] for axis, flip in zip((grid.x, grid.y, z), flips, strict=True)
    ]
    affine = np.eye(4)
    affine[:3, :3] = directions * (steps * flips)
    affine[:3, 3] = directions @ np.array(ends, dtype=np.float64) + np.array(scanner.offset_mm)
    return affine


def _triple(values: Vector, digits: int = 3) -> _Triple:
    x, y, z = (round(float(part), digits) for part in values)
    return x, y, z
