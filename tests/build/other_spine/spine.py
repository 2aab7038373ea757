"""A row of bones in patient coordinates (LPS, mm), each turned and set on the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.build.other_spine.bones import SIDES, Bone, vertebra
from tests.build.other_spine.ribs import rib
from tests.build.other_spine.sacrum import ilium, sacrum
from tests.build.other_spine.shapes import smooth_max, union, widened
from tests.build.other_spine.sizes import ORDER, sizes_of

JOINT_GAP_MM = 1.5
RIB_GAP_MM = 1.2


@dataclass(frozen=True)
class Set:
    """A bone set in the patient: p = place + turn @ own."""

    bone: Bone
    place: np.ndarray
    turn: np.ndarray

    def to_own(self, points):
        place, turn = self.place.astype(points.dtype), self.turn.astype(points.dtype)
        return (points - place) @ turn

    def to_patient(self, own):
        return self.place + np.asarray(own, dtype=float) @ self.turn.T


@dataclass(frozen=True)
class Spine:
    """Bones cranial first; `ribs` hold (index of its vertebra, side, rib or hip bone)."""

    members: tuple[Set, ...]
    ribs: tuple[tuple[int, str, Set], ...]
    operated: tuple[str, ...]

    def at(self, level: str) -> Set:
        return next(member for member in self.members if member.bone.level == level)

    def whole(self, index: int, points):
        """Return field and cortex of one vertebra with room left for the facets below it."""
        member = self.members[index]
        field, cortex = member.bone.field(member.to_own(points))
        if index + 1 < len(self.members):
            below = self.members[index + 1]
            room = [widened(joint, JOINT_GAP_MM) for joint in below.bone.joints]
            close = np.flatnonzero(field < 3.0)
            if room and len(close):
                taken, _ = union(room, below.to_own(points[close]))
                field[close] = np.maximum(field[close], -taken)
        return field, cortex

    def rib_field(self, number: int, points):
        """Return field and cortex of a rib or hip bone, a joint's gap away from the vertebrae."""
        index, _, member = self.ribs[number]
        field, cortex = member.bone.field(member.to_own(points))
        close = np.flatnonzero(field < 3.0)
        for other in range(max(index - 1, 0), min(index + 2, len(self.members))):
            if len(close):
                taken, _ = self.whole(other, points[close])
                field[close] = smooth_max(field[close], RIB_GAP_MM - taken, 0.5)
        return field, cortex


def _turned(forward_deg: float, aside_deg: float, axial_deg: float) -> np.ndarray:
    f, a, t = np.deg2rad([forward_deg, aside_deg, axial_deg])
    about_x = np.array([[1, 0, 0], [0, np.cos(f), -np.sin(f)], [0, np.sin(f), np.cos(f)]])
    about_y = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    about_z = np.array([[np.cos(t), -np.sin(t), 0], [np.sin(t), np.cos(t), 0], [0, 0, 1]])
    return about_z @ about_y @ about_x


def draw_spine(
    levels: tuple[str, ...], rng, curve_deg: float = 0.0, roll_deg: float = 0.0
) -> Spine:
    """Return the operated levels and one neighbour at each end.

    Parameters
    ----------
    levels : a run of neighbouring names, cranial first
    curve_deg : sideways curve over the operated levels; the vertebrae turn axially with it
    roll_deg : of the whole patient about the long axis
    """
    first, last = ORDER.index(levels[0]), ORDER.index(levels[-1])
    names = ORDER[max(first - 1, 0) : last + 2]
    patient = float(rng.uniform(0.9, 1.1))
    spur = float(rng.uniform(0.5, 3.5))
    share = np.linspace(-0.5, 0.5, len(names))
    roll = _turned(0.0, 0.0, roll_deg)
    members, place = [], np.zeros(3)
    for number, name in enumerate(names):
        sizes = sizes_of(name, rng, patient)
        bone = sacrum(sizes, rng) if name == "S1" else vertebra(name, sizes, rng, spur)
        turn = roll @ _turned(
            sizes.tilt_deg * 0.8,
            curve_deg * share[number] + float(rng.normal(0, 1.2)),
            0.6 * curve_deg * (1 - 4 * share[number] ** 2) + float(rng.normal(0, 2.0)),
        )
        if members:
            above = members[-1]
            place = (
                above.place
                - above.turn[:, 2] * (above.bone.sizes.height + above.bone.sizes.disc_mm) / 2.0
            )
            place = place - turn[:, 2] * (above.bone.sizes.disc_mm + sizes.height) / 2.0
        members.append(Set(bone, place, turn))
    middle = np.mean([m.place for m in members if m.bone.level in levels], axis=0)
    shift = np.array([float(rng.uniform(-8, 8)), float(rng.uniform(-20, 20)), 0.0])
    members = [Set(m.bone, m.place - middle + shift, m.turn) for m in members]
    beside = {"T": rib, "S": ilium}
    ribs = tuple(
        (index, side, Set(beside[m.bone.level[0]](m.bone, side), m.place, m.turn))
        for index, m in enumerate(members)
        if m.bone.level[0] in beside
        for side in SIDES
    )
    return Spine(tuple(members), ribs, tuple(levels))
