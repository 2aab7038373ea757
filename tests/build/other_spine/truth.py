"""The extents of a screw from the surfaces without metal, worked out densely.

In each section the bone's outline is where the field is zero, found on a grid of 0.2 mm (0.3 at
S1) and put between its nodes by straight interpolation. Nothing here is shared with the
program's measuring.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from tests.build.other_spine.bones import SIDES

AREA_RATIO = 1.7
SACRAL_DEPTH_MM = 14.0
WINDOW_MM = 18.0
WALLS = ("medial", "cranial", "lateral", "caudal")


@dataclass(frozen=True)
class Section:
    depth_mm: float
    area_mm2: float
    closed: bool
    outline: np.ndarray
    worst: dict[str, float]
    box: tuple[float, float, float, float]


@dataclass(frozen=True)
class Shank:
    """A straight shank: entry, tip (LPS mm), radius, and the vertebra it is measured against."""

    entry: np.ndarray
    tip: np.ndarray
    radius_mm: float
    member: object
    side: str

    @property
    def length_mm(self) -> float:
        return float(np.linalg.norm(self.tip - self.entry))

    @property
    def direction(self) -> np.ndarray:
        return (self.tip - self.entry) / self.length_mm

    @property
    def frame(self):
        """Return (medial, cranial), both at right angles to the shank."""
        d = self.direction
        medial = -SIDES[self.side] * self.member.turn[:, 0]
        medial = medial - (medial @ d) * d
        medial /= np.linalg.norm(medial)
        cranial = np.cross(d, medial)
        return medial, cranial if cranial[2] > 0 else -cranial

    def circle(self, depth_mm: float, count: int):
        turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
        uv = self.radius_mm * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        return uv, self.entry + depth_mm * self.direction + uv @ np.stack(self.frame)


def angles(shank: Shank) -> tuple[float, float]:
    """Return (convergence, sagittal) in degrees against the bone's own midplane and endplate."""
    own = shank.member.turn.T @ shank.direction
    inwards = -SIDES[shank.side] * own[0]
    return float(np.rad2deg(np.arcsin(inwards))), float(np.rad2deg(np.arcsin(own[2])))


def _bone_at(shank: Shank, points):
    return shank.member.bone.field(shank.member.to_own(points))[0]


def _section(shank: Shank, depth: float, step: float, count: int, box=None) -> Section | None:
    medial, cranial = shank.frame
    corridor = shank.member.bone.corridors[shank.side]
    line = shank.member.to_patient(corridor.centre(np.linspace(corridor.start, corridor.stop, 161)))
    origin = shank.entry + depth * shank.direction
    off = (line - origin) @ shank.direction
    if off.min() > 0 or off.max() < 0:
        return None
    seed = (line[np.argmin(np.abs(off))] - origin) @ np.stack([medial, cranial], axis=1)
    box = box or (-WINDOW_MM, WINDOW_MM, -WINDOW_MM, WINDOW_MM)
    across, up = (
        step * np.arange(np.floor(low / step), np.ceil(high / step) + 1)
        for low, high in (box[:2], box[2:])
    )
    u, v = np.meshgrid(across + seed[0], up + seed[1])
    uv = np.stack([u.ravel(), v.ravel()], axis=1)
    field = _bone_at(shank, origin + uv @ np.stack([medial, cranial])).reshape(u.shape)
    labels, _ = ndimage.label(field < 0)
    own = labels[np.argmin(np.abs(up)), np.argmin(np.abs(across))]
    if own == 0:
        return None
    piece = labels == own
    edges = (piece[0], piece[-1], piece[:, 0], piece[:, -1])
    closed = not any(edge.any() for edge in edges)
    piece = ndimage.binary_fill_holes(piece)
    outline = _crossings(field, piece, u, v)
    circle, where = shank.circle(depth, count)
    low_corner = seed + np.array([across[0], up[0]])
    outside = _outside(circle, where, shank, piece, low_corner, step)
    worst = dict.fromkeys(WALLS, 0.0)
    if outside.any():
        apart, nearest = cKDTree(outline).query(circle[outside])
        away = circle[outside] - outline[nearest]
        bearing = np.rad2deg(np.arctan2(away[:, 1], away[:, 0]))
        sector = ((bearing + 45.0) // 90.0).astype(int) % 4
        keep = np.ones(len(apart), dtype=bool)
        if shank.member.bone.level == "S1":
            keep = _in_voids(shank, where[outside])
        for number, wall in enumerate(WALLS):
            there = apart[(sector == number) & keep]
            worst[wall] = float(there.max()) if len(there) else 0.0
    rows, columns = np.flatnonzero(piece.any(axis=1)), np.flatnonzero(piece.any(axis=0))
    room = (across[columns[0]], across[columns[-1]], up[rows[0]], up[rows[-1]])
    return Section(depth, float(piece.sum()) * step * step, closed, outline, worst, room)


def _in_voids(shank, points):
    own = shank.member.to_own(points)
    return shank.member.bone.in_canal(own) | shank.member.bone.in_foramen(own)


def _outside(circle, where, shank, piece, low_corner, step):
    # The field is exact; the piece only tells this bone ring from other bone in the plane.
    nodes = np.rint((circle - low_corner) / step).astype(int)
    nodes = np.clip(nodes, 0, [piece.shape[1] - 1, piece.shape[0] - 1])
    near_piece = ndimage.binary_dilation(piece, iterations=2)[nodes[:, 1], nodes[:, 0]]
    return (_bone_at(shank, where) > 0) | ~near_piece


def _crossings(field, piece, u, v):
    found = []
    for axis in (0, 1):
        first = [slice(None)] * 2
        second = [slice(None)] * 2
        first[axis], second[axis] = slice(None, -1), slice(1, None)
        first, second = tuple(first), tuple(second)
        edge = piece[first] != piece[second]
        low, high = field[first][edge], field[second][edge]
        crossing = low * high < 0
        share = np.where(crossing, low / np.where(crossing, low - high, 1.0), 0.5)
        found.append(
            np.stack(
                [
                    u[first][edge] + share * (u[second] - u[first])[edge],
                    v[first][edge] + share * (v[second] - v[first])[edge],
                ],
                axis=1,
            )
        )
    return np.concatenate(found)


def pedicle_sections(shank: Shank, step=0.2, every=0.4, count=360) -> list[Section]:
    """Return the sections that count, in order of depth; empty where there is no ring.

    A first look with wide steps finds the rings, a second measures them closely.
    """
    wide = max(step, 0.6)
    depths = np.arange(0.0, shank.length_mm + every / 2, every)
    if shank.member.bone.level == "S1":
        depths = depths[depths <= SACRAL_DEPTH_MM]
        near = [_section(shank, float(depth), max(step, 0.3), count) for depth in depths]
        return [section for section in near if section is not None]
    sections = [_section(shank, float(depth), wide, count) for depth in depths]
    run = _run(shank, sections, 1.05 * AREA_RATIO)
    if step >= wide or not run:
        return [sections[n] for n in _run(shank, sections, AREA_RATIO)]
    for n in run:
        left, right, bottom, top = sections[n].box
        room = (left - 2.0, right + 2.0, bottom - 2.0, top + 2.0)
        sections[n] = _section(shank, sections[n].depth_mm, step, count, room) or sections[n]
    kept = [s if n in run else None for n, s in enumerate(sections)]
    return [kept[n] for n in _run(shank, kept, AREA_RATIO)]


def _run(shank, sections, ratio) -> list[int]:
    """Return the places of the neighbouring rings that are at most `ratio` times the least."""
    rings = [n for n, s in enumerate(sections) if s is not None and s.closed and s.area_mm2 > 4]
    if not rings:
        return []
    inner = _in_the_corridor(shank, sections, rings)
    least = min(inner, key=lambda n: sections[n].area_mm2)
    limit = ratio * sections[least].area_mm2
    run = [least]
    for way in (-1, 1):
        n = least + way
        while n in inner and sections[n].area_mm2 <= limit:
            run.append(n)
            n += way
    return sorted(run)


def _in_the_corridor(shank, sections, rings):
    # Where the plane leaves the bone behind, areas shrink again; that is no isthmus.
    corridor = shank.member.bone.corridors[shank.side]
    ends = shank.member.to_patient(corridor.centre([0.7 * corridor.start, 0.7 * corridor.stop]))
    low, high = sorted((ends - shank.entry) @ shank.direction)
    inner = [n for n in rings if low <= sections[n].depth_mm <= high]
    return inner or rings


def extents(shank: Shank, step=0.2, every=0.4, count=360, *, walls_only=False) -> dict[str, float]:
    """Return the extents in mm by direction; S1 has no lateral and cranial wall."""
    sections = pedicle_sections(shank, step, every, count)
    sacral = shank.member.bone.level == "S1"
    walls = ("medial", "caudal") if sacral else WALLS
    found = {w: max((s.worst[w] for s in sections), default=0.0) for w in walls}
    if walls_only:
        return found
    start = sections[-1].depth_mm if sections else 0.0
    found.update(_body(shank, start, sacral=sacral))
    return found


def _body(shank: Shank, start: float, *, sacral: bool) -> dict[str, float]:
    found = (
        {"anterior": 0.0, "endplate": 0.0}
        if sacral
        else dict.fromkeys(("anterior", "body_lateral", "endplate"), 0.0)
    )
    depths = np.append(np.arange(start, shank.length_mm, 0.4), shank.length_mm)
    points = np.concatenate([shank.circle(depth, 72)[1] for depth in depths])
    axis_points = shank.entry + depths[:, None] * shank.direction
    out = points[_bone_at(shank, points) > 0]
    leaves = _axis_leaves_in_front(shank, axis_points)
    if not len(out):
        return found
    cloud, normals = _surface(shank)
    apart, nearest = cKDTree(cloud).query(out)
    facing = normals[nearest]
    ends = np.abs(facing[:, 2]) > np.sqrt(0.5)
    # A wall that faces the midplane is the canal's, however far in front.
    outwards = facing[:, 0] * SIDES[shank.side]
    side = ~ends & (outwards > np.abs(facing[:, 1]))
    found["endplate"] = float(apart[ends].max(initial=0.0))
    if "body_lateral" in found:
        found["body_lateral"] = float(apart[side].max(initial=0.0))
    if leaves:
        found["anterior"] = float(cKDTree(cloud).query(shank.tip)[0])
    return found


def _axis_leaves_in_front(shank: Shank, axis_points) -> bool:
    field = _bone_at(shank, axis_points)
    if field[-1] <= 0:
        return False
    inside = np.flatnonzero(field < 0)
    if not len(inside):
        return False
    exit_point = axis_points[inside[-1]]
    own = shank.member.to_own(exit_point[None])[0]
    cloud, normals = _surface(shank)
    facing = normals[cKDTree(cloud).query(exit_point)[1]]
    return bool(own[1] < 0 and -facing[1] > max(abs(facing[0]), abs(facing[2])))


_SURFACES: dict[int, tuple] = {}


def _surface(shank: Shank):
    """Return points (LPS) of the body's surface, 0.5 mm apart, and own normals there."""
    member = shank.member
    key = id(member)
    if key in _SURFACES and _SURFACES[key][0] is member:
        return _SURFACES[key][1:]
    size = member.bone.sizes
    reach = np.array([size.width / 2 + 7, size.depth / 2 + 6, size.height / 2 + 5])
    axes = [np.arange(-r, r, 0.5) for r in reach]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    field = member.bone.field(grid.reshape(-1, 3))[0].reshape(grid.shape[:3])
    slopes = np.gradient(field, 0.5)
    found, facing = [], []
    for axis in range(3):
        first, second = [slice(None)] * 3, [slice(None)] * 3
        first[axis], second[axis] = slice(None, -1), slice(1, None)
        first, second = tuple(first), tuple(second)
        edge = field[first] * field[second] < 0
        share = (field[first] / (field[first] - field[second] + 1e-12))[edge][:, None]
        found.append(grid[first][edge] * (1 - share) + grid[second][edge] * share)
        facing.append(np.stack([slope[first][edge] for slope in slopes], axis=1))
    cloud = member.to_patient(np.concatenate(found))
    normals = np.concatenate(facing)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    _SURFACES[key] = (member, cloud, normals)
    return cloud, normals
