"""Where the screws go: down the corridor, or through a given wall by a given amount."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.build.other_spine.bones import SIDES
from tests.build.other_spine.truth import Shank, angles, extents

SPARE_MM = 0.2
"""Room round a contained screw, so that the quick look that places it misses nothing."""

SCATTERED = ("medial", "cranial", "inwards", "upwards")
LENGTHS_MM = np.arange(25.0, 66.0, 5.0)
SHIFTS = {"medial": (1, 0), "lateral": (-1, 0), "cranial": (0, 1), "caudal": (0, -1)}


@dataclass(frozen=True)
class Placement:
    """What is wanted of one screw; `wall` None is contained, else about `size_mm` beyond it."""

    level: str
    side: str
    wall: str | None = None
    size_mm: float = 0.0
    diameter_mm: float | None = None
    number: int = 1


@dataclass(frozen=True)
class PlacedScrew:
    """A screw with its truth; points LPS mm, extents by direction in mm."""

    level: str
    side: str
    number: int
    diameter_mm: float
    length_mm: float
    entry: tuple[float, float, float]
    tip: tuple[float, float, float]
    extents_mm: dict[str, float]
    convergence_deg: float
    sagittal_deg: float
    alloy: str


def _diameter(sizes, wanted, lumbar) -> float:
    if wanted is not None:
        return wanted
    fits = np.floor(2.0 * 0.82 * sizes.pedicle_width) / 2.0
    return float(np.clip(min(fits, sizes.screw_mm), 3.5, 7.5 if lumbar else 6.0))


def _exit_behind(member, middle, direction) -> float:
    """Return how far behind the isthmus the axis has left the bone for good, mm."""
    steps = np.arange(0.0, 40.0, 0.25)
    field = member.bone.field(member.to_own(middle - steps[:, None] * direction))[0]
    inside = np.flatnonzero(field < 0)
    return float(steps[inside[-1]]) + 0.25 if len(inside) else 10.0


def _shank(member, side, radius, choice) -> Shank:
    """Return the shank of a choice: shifts and turns from the corridor, and how far it goes."""
    corridor = member.bone.corridors[side]
    base = member.turn @ corridor.along
    medial = member.turn @ corridor.across
    cranial = member.turn @ corridor.up
    middle = member.to_patient(corridor.centre([0.0]))[0]
    middle = middle + choice["medial"] * medial + choice["cranial"] * cranial
    direction = base + np.tan(choice["inwards"]) * medial + np.tan(choice["upwards"]) * cranial
    direction /= np.linalg.norm(direction)
    behind = min(_exit_behind(member, middle, direction), choice["behind_max"])
    entry = middle - (behind + choice["proud"]) * direction
    sizes = member.bone.sizes
    own_entry, own_direction = member.to_own(entry[None])[0], member.turn.T @ direction
    to_front = (own_entry[1] + sizes.depth * (0.5 - choice["short"])) / max(-own_direction[1], 0.3)
    length = choice.get("length") or float(LENGTHS_MM[np.argmin(np.abs(LENGTHS_MM - to_front))])
    return Shank(entry, entry + length * direction, radius, member, side)


def place(spine, wanted: Placement, rng, alloy: str) -> tuple[PlacedScrew, Shank]:
    """Return the screw nearest to what is wanted, with its truth measured afterwards."""
    member = spine.at(wanted.level)
    sizes = member.bone.sizes
    diameter = _diameter(sizes, wanted.diameter_mm, wanted.level[0] in "LS")
    choice = {
        "medial": float(rng.normal(0.0, 0.3)),
        "cranial": float(rng.normal(0.0, 0.5)),
        "inwards": float(np.deg2rad(rng.normal(0.0, 2.0))),
        "upwards": float(np.deg2rad(rng.normal(0.0, 2.5))),
        "proud": float(rng.uniform(0.3, 2.0)),
        "short": float(rng.uniform(0.12, 0.3)),
        "behind_max": 24.0,
    }
    radius = diameter / 2.0
    if wanted.wall is None:
        choice = _settled(member, wanted.side, radius, choice)
    else:
        choice = _breached(member, wanted, radius, choice)
    shank = _shank(member, wanted.side, radius, choice)
    convergence, sagittal = angles(shank)
    screw = PlacedScrew(
        wanted.level,
        wanted.side,
        wanted.number,
        diameter,
        round(shank.length_mm, 3),
        tuple(map(float, shank.entry)),
        tuple(map(float, shank.tip)),
        extents(shank),
        convergence,
        sagittal,
        alloy,
    )
    return screw, shank


def _settled(member, side, radius, choice):
    """Return a choice without breach where one is near: less and less scatter, then moved."""
    best, least = choice, np.inf
    moves = [(1.0, 0.0, 0.0, 0.0), (0.5, 0.0, 0.0, 0.0), (0.0, 0.0, 0.0, 0.0)]
    moves += [(0.0, s, turn, 0.0) for turn in (0.0, 4.0, 8.0) for s in (0.5, -0.5, 1.0)]
    moves += [(0.0, s, turn, 0.2) for turn in (0.0, 5.0, 10.0) for s in (0.0, 0.5)]
    for share, shift, turn, shorter in moves:
        tried = {k: (v * share if k in SCATTERED else v) for k, v in choice.items()}
        tried["medial"] += shift
        tried["inwards"] += np.deg2rad(turn)
        tried["short"] += shorter
        found = extents(_shank(member, side, radius + SPARE_MM, tried), 0.6, 1.5, 60)
        total = sum(found.values())
        if total < least:
            best, least = tried, total
        if total == 0.0:
            break
    return best


def _breached(member, wanted, radius, choice):
    """Return a choice whose extent through the wall is about the size, by bisection."""
    base = _settled(member, wanted.side, radius, choice)

    def moved(amount):
        tried = dict(base)
        if wanted.wall in SHIFTS:
            across, up = SHIFTS[wanted.wall]
            tried["medial"] += amount * across
            tried["cranial"] += amount * up
        elif wanted.wall == "anterior":
            shank = _shank(member, wanted.side, radius, base)
            # Lengths come in steps of 5 mm, so a longer one stands prouder behind.
            tried["length"] = float(np.ceil((shank.length_mm + amount) / 5.0) * 5.0)
            tried["proud"] += tried["length"] - shank.length_mm - amount
        elif wanted.wall == "endplate":
            tried["upwards"] += np.deg2rad(1.5 * amount)
        else:
            tried["inwards"] -= np.deg2rad(2.0 * amount)
        return tried

    low, high = 0.0, 22.0
    for _ in range(9):
        middle = (low + high) / 2.0
        found = extents(
            _shank(member, wanted.side, radius, moved(middle)),
            0.6,
            1.5,
            72,
            walls_only=wanted.wall in SHIFTS,
        )
        low, high = (
            (middle, high) if found.get(wanted.wall, 0.0) < wanted.size_mm else (low, middle)
        )
    return moved((low + high) / 2.0)


def sides_of(levels) -> list[Placement]:
    return [Placement(level, side) for level in levels for side in SIDES]
