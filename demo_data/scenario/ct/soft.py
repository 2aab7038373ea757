"""Everything that is neither bone nor metal, painted slice by slice on a coarse grid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .levels import LEVELS, Frame, LevelShape

if TYPE_CHECKING:
    from .solids import Field, Grid

_EDGE_MM = 0.55
AIR_HU, FAT_HU, MUSCLE_HU = -1000.0, -98.0, 58.0
_SKIN_BACK_MM = 101.0
_SIDES = (1.0, -1.0)


@dataclass(frozen=True)
class Along:
    """What follows the spine, sampled at one height: middle of the body, sizes and position.

    `place` counts vertebrae downwards from T10, fractions between.
    """

    x: float
    y: float
    half_width: float
    half_depth: float
    canal_depth: float
    place: float
    z: float

    def near(self, level: str, reach: float = 1.0) -> float:
        """Return 1 at a level's middle, falling to 0 over `reach` levels."""
        away = abs(self.place - _PLACES[level]) / reach
        return float(max(0.0, 1.0 - away))

    def from_to(self, first: str, last: str, ease: float = 0.6) -> float:
        """Return 1 between two levels, easing to 0 beyond them over `ease` levels."""
        above = (self.place - _PLACES[first]) / ease + 1
        below = (_PLACES[last] - self.place) / ease + 1
        return float(np.clip(min(above, below), 0.0, 1.0))


_NAMES = (*(f"T{k}" for k in range(1, 13)), *(f"L{k}" for k in range(1, 6)), "S1")
_PLACES = {level: float(k) for k, level in enumerate(_NAMES, start=-_NAMES.index("T10"))}


def along_spine(
    frames: dict[str, Frame], z: float, shapes: tuple[LevelShape, ...] = LEVELS
) -> Along:
    """Return the spine's middle and sizes at one height, interpolated between vertebrae."""
    heights = [frames[shape.level].origin[2] for shape in shapes][::-1]

    def at(values: list[float]) -> float:
        return float(np.interp(z, heights, values[::-1]))

    return Along(
        at([float(frames[shape.level].origin[0]) for shape in shapes]),
        at([float(frames[shape.level].origin[1]) for shape in shapes]),
        at([shape.half_width_mm for shape in shapes]),
        at([shape.half_depth_mm for shape in shapes]),
        at([shape.canal_depth_mm for shape in shapes]),
        at([_PLACES[shape.level] for shape in shapes]),
        z,
    )


@dataclass
class Canvas:
    """One coarse slice being painted; `x` (columns) and `y` (rows) in LPS millimetres."""

    x: Field
    y: Field
    value: Field

    def ellipse(
        self,
        middle: tuple[float, float],
        radii: tuple[float, float],
        hounsfield: float | Field,
        *,
        turn_deg: float = 0.0,
        exponent: float = 2.0,
        edge_mm: float = _EDGE_MM,
    ) -> None:
        """Paint a turned super-ellipse over what is there; `hounsfield` may be a whole slice."""
        if min(radii) < 0.4:  # noqa: PLR2004 - under a pixel nothing would show
            return
        reach = max(radii) + 3 * edge_mm
        columns = slice(*np.searchsorted(self.x, (middle[0] - reach, middle[0] + reach)))
        rows = slice(*np.searchsorted(self.y, (middle[1] - reach, middle[1] + reach)))
        here = self.value[rows, columns]
        if here.size == 0:
            return
        x = self.x[columns][np.newaxis, :] - np.float32(middle[0])
        y = self.y[rows][:, np.newaxis] - np.float32(middle[1])
        angle = np.radians(turn_deg)
        cos, sin = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        across = np.abs(cos * x + sin * y) / np.float32(radii[0])
        upright = np.abs(cos * y - sin * x) / np.float32(radii[1])
        if exponent == 2.0:  # noqa: PLR2004 - the plain ellipse needs no power
            radius = np.sqrt(across**2 + upright**2)
        else:
            power = np.float32(exponent)
            radius = (across**power + upright**power) ** np.float32(1 / exponent)
        outside_mm = (radius - 1) * np.float32(min(radii))
        cover = np.clip(0.5 - outside_mm / np.float32(2 * edge_mm), 0, 1)
        paint = hounsfield[rows, columns] if isinstance(hounsfield, np.ndarray) else hounsfield
        here += cover * (paint - here)


@dataclass(frozen=True)
class Tissue:
    """The coarse textures that the painter uses; each (slices, rows, columns), unit spread."""

    marbling: Field
    mottle: Field


def paint_slice(
    grid: Grid, k: int, spine: Along, tissue: Tissue, rng_of_bowel: int, wound: tuple[str, str]
) -> Field:
    """Return one coarse slice of soft tissue in Hounsfield units, shape (rows, columns)."""
    mottle, marbling = tissue.mottle[k], tissue.marbling[k]
    canvas = Canvas(grid.x, grid.y, FAT_HU + 7 * mottle)
    _abdomen(canvas, spine, mottle, rng_of_bowel)
    _great_vessels(canvas, spine)
    _flank_muscles(canvas, spine, _striated(marbling, mottle, 1.75))
    _chest(canvas, spine, mottle)
    _back_muscles(canvas, spine, _striated(marbling, mottle, 1.0))
    _wound(canvas, spine, mottle, wound)
    _cover(canvas, mottle)
    _round_the_column(canvas, spine)
    return canvas.value


def _striated(marbling: Field, mottle: Field, clean: float) -> Field:
    """Return muscle with streaks of fat where the marbling runs above `clean`."""
    fat = np.clip((marbling - np.float32(clean)) * 1.6, 0, 1)
    return np.asarray(MUSCLE_HU + 5 * mottle + fat * (FAT_HU * 0.75 - MUSCLE_HU), dtype=np.float32)


def _abdomen(canvas: Canvas, spine: Along, mottle: Field, seed: int) -> None:
    front = spine.y - spine.half_depth
    liver = spine.from_to("T10", "L2", 1.5)
    canvas.ellipse((-70.0, front - 32.0), (40 * liver, 52 * liver), 62 + 4 * mottle, exponent=2.4)
    spleen = spine.from_to("T10", "T12", 1.4)
    canvas.ellipse((80.0, front - 8.0), (20 * spleen, 34 * spleen), 52 + 4 * mottle)
    for sign, top in ((1.0, "T12"), (-1.0, "L1")):
        size = np.sqrt(spine.near(top, 2.6) if sign > 0 else spine.near("L2", 2.4))
        middle = (sign * 60.0 + spine.x, spine.y - 6.0)
        canvas.ellipse(middle, (24 * size, 29 * size), 36 + 3 * mottle, turn_deg=-sign * 28)
        sinus = max(0.0, size - 0.35)
        canvas.ellipse(
            (middle[0] - sign * 10, middle[1] - 3), (14 * sinus, 13 * sinus), FAT_HU, edge_mm=1.2
        )
        canvas.ellipse((middle[0] - sign * 9, middle[1] - 4), (5 * sinus, 4 * sinus), 14.0)
    _bowel(canvas, spine, front, seed)
    pancreas = spine.near("L1", 1.2)
    canvas.ellipse((6.0, front - 34.0), (34 * pancreas, 9 * pancreas), 42 + 8 * mottle, turn_deg=12)


def _bowel(canvas: Canvas, spine: Along, front: float, seed: int) -> None:
    """Paint loops of bowel in front, some with gas lying uppermost, and colon on both sides."""
    generator = np.random.default_rng(seed)
    below = spine.from_to("L2", "L5", 0.9)
    for _ in range(9):
        x, y = generator.uniform(-62, 62), generator.uniform(-52, -22)
        height, phase = generator.uniform(60, 140), generator.uniform(0, 2 * np.pi)
        sway = np.sin(2 * np.pi * spine.z / height + phase)
        radius = generator.uniform(8, 13) * (1 + 0.18 * np.sin(spine.z / 9 + phase)) * below
        middle = (x + 9 * sway, front + y + 6 * np.cos(spine.z / 31 + phase))
        canvas.ellipse(middle, (radius + 1.6, radius + 1.2), 44.0)
        canvas.ellipse(middle, (radius - 1.0, radius - 1.2), generator.uniform(8, 34))
        if generator.uniform() < 0.45:  # noqa: PLR2004 - nearly half of the loops hold gas
            gas = radius * 0.6
            canvas.ellipse((middle[0], middle[1] - radius * 0.35), (gas, gas * 0.7), -880.0)
    for sign in _SIDES:
        radius = 13.0 * spine.from_to("L2", "L5", 0.5) * (1 + 0.15 * np.sin(spine.z / 7))
        middle = (sign * 76.0, spine.y - 8.0)
        canvas.ellipse(middle, (radius + 1.5, radius + 3.0), 46.0)
        canvas.ellipse(middle, (radius - 1.2, radius), 30.0)
        canvas.ellipse((middle[0], middle[1] - 5), (radius * 0.6, radius * 0.5), -820.0)


def _great_vessels(canvas: Canvas, spine: Along) -> None:
    front = spine.y - spine.half_depth
    fork = float(np.clip(spine.place - 6.2, 0, 1))
    for branch in (1.0, -1.0) if fork > 0 else (0.0,):
        radius = 10.5 - 4.5 * min(1.0, fork * 4)
        middle = (spine.x + 7.0 - 4 * fork + branch * 22 * fork, front - 12.5)
        canvas.ellipse(middle, (radius + 1.1, radius + 1.1), 62.0)
        canvas.ellipse(middle, (radius, radius), 43.0)
        fleck = max(0.0, np.sin(spine.z / 5.0) * np.sin(spine.z / 13.0 + 1.0) - 0.35)
        canvas.ellipse(
            (middle[0] + radius * 0.7, middle[1] + radius * 0.75), (3.2 * fleck, 2.2 * fleck), 620.0
        )
    cava = spine.from_to("L1", "L5", 2.0)
    canvas.ellipse(
        (spine.x - 16.0, front - 11.0 - 9 * (1 - cava)),
        (11.0, 7.0 + 2 * (1 - cava)),
        40.0,
        turn_deg=-14,
    )
    crus = spine.from_to("T12", "L2", 0.7)
    for sign in _SIDES:
        canvas.ellipse(
            (spine.x + sign * 15.0, front - 5.5), (11 * crus, 3.6 * crus), 55.0, turn_deg=sign * 32
        )


def _flank_muscles(canvas: Canvas, spine: Along, muscle: Field) -> None:
    growth = float(np.clip((spine.place - 2.0) / 4.2, 0, 1)) ** 0.8
    quadratus = spine.from_to("L1", "L4", 0.8)
    for sign in _SIDES:
        radius = 4.0 + 17.5 * growth if growth > 0 else 0.0
        middle = (spine.x + sign * (spine.half_width + radius * 0.72), spine.y + 3.0 - 3 * growth)
        canvas.ellipse(middle, (radius * 0.95, radius * 1.15), muscle, turn_deg=sign * 14)
        canvas.ellipse(
            (spine.x + sign * (spine.half_width + 37.0), spine.y + 25.0),
            (19 * quadratus, 8.0 * quadratus),
            muscle,
            turn_deg=sign * 12,
        )


def _chest(canvas: Canvas, spine: Along, mottle: Field) -> None:
    """Paint the recesses of the lungs behind the diaphragm, at the upper levels only."""
    size = float(np.sqrt(np.clip((2.35 - spine.place) / 2.0, 0, 1.2)))
    for sign in _SIDES:
        middle = (spine.x + sign * 66.0, spine.y + 4.0)
        if size > 0:
            canvas.ellipse(middle, (37 * size + 3, 40 * size + 3), 48.0, exponent=2.3)
        vessels = np.float32(-850) + 280 * np.clip(2 * mottle - 4, 0, 2) + 18 * mottle
        canvas.ellipse(middle, (37 * size, 40 * size), vessels, exponent=2.3, edge_mm=0.8)


def _back_muscles(canvas: Canvas, spine: Along, muscle: Field) -> None:
    """Paint three columns a side in a common sheath, with planes of fat between them."""
    behind = spine.y + spine.half_depth + spine.canal_depth
    low = float(np.clip((spine.place - 1.0) / 4.0, 0, 1))
    sheath = (28.0 + 6 * low, 19.0 + 3.0 * low)
    for sign in _SIDES:
        middle = spine.x + sign * (36.0 + 2 * low)
        canvas.ellipse(
            (middle, behind + 9.0), (sheath[0] + 1.9, sheath[1] + 1.0), 48.0, exponent=2.6
        )
        canvas.ellipse(
            (middle, behind + 9.0), (sheath[0] + 1.0, sheath[1] + 0.1), FAT_HU, exponent=2.6
        )
        canvas.ellipse(
            (middle + sign * 13.0, behind + 6.5),
            (17.5 + 2 * low, 15.5 + 2 * low),
            muscle,
            exponent=2.4,
            turn_deg=sign * -16,
        )
        canvas.ellipse(
            (middle - sign * 10.5, behind + 12.5),
            (14.0 + low, 16.0 + 2 * low),
            muscle,
            exponent=2.5,
            turn_deg=sign * -8,
        )
        canvas.ellipse(
            (spine.x + sign * 14.5, behind + 9.5),
            (10.0 + 1.5 * low, 15.5 + 3 * low),
            FAT_HU,
            exponent=2.5,
            edge_mm=0.8,
        )
        canvas.ellipse(
            (spine.x + sign * 13.8, behind + 9.5),
            (8.6 + 1.5 * low, 14.2 + 3 * low),
            muscle,
            exponent=2.5,
        )


def _wound(canvas: Canvas, spine: Along, mottle: Field, reach: tuple[str, str]) -> None:
    """Paint the wound some days after: swelling beside the midline and a track of fluid."""
    inside = spine.from_to(*reach, 0.5)
    behind = spine.y + spine.half_depth + spine.canal_depth
    for sign in _SIDES:
        canvas.ellipse(
            (spine.x + sign * 17.0, behind + 13.0),
            (9 * inside, 8 * inside),
            26 + 9 * mottle,
            edge_mm=2.5,
        )
    back = _SKIN_BACK_MM - 3.0
    middle_y = (behind + 34.0 + back) / 2
    canvas.ellipse(
        (spine.x, middle_y),
        (2.6 * inside, max(1.0, (back - behind - 34.0) / 2)),
        6 + 14 * mottle,
        edge_mm=1.6,
    )


def _cover(canvas: Canvas, mottle: Field) -> None:
    """Paint the fat under the skin, the skin, and air and the couch's pad behind it."""
    flat = np.square(canvas.x / np.float32(80.0)) * np.float32(6.0)
    groove = np.float32(2.2) * np.exp(-np.square(canvas.x / np.float32(9.0)))
    skin = np.float32(_SKIN_BACK_MM) - flat - groove
    depth = skin[np.newaxis, :] - canvas.y[:, np.newaxis]
    lying_fat = np.clip((12.0 - depth) / 1.4, 0, 1)
    canvas.value += lying_fat * (FAT_HU - 6 + 6 * mottle - canvas.value)
    in_skin = np.clip((2.3 - depth) / 0.8, 0, 1)
    canvas.value += in_skin * (28 - canvas.value)
    out = np.clip(0.5 - depth / 0.8, 0, 1)
    canvas.value += out * (AIR_HU - canvas.value)
    pad = np.clip(1 - np.abs(canvas.y - np.float32(_SKIN_BACK_MM + 7.5)) / 1.2, 0, 1)
    canvas.value += pad[:, np.newaxis] * 760 * (canvas.value < -900)  # noqa: PLR2004 - only in air


def _round_the_column(canvas: Canvas, spine: Along) -> None:
    """Paint the fat of the foramina and the canal, the dural sac, cord and roots."""
    back = spine.y + spine.half_depth
    for sign in _SIDES:
        canvas.ellipse(
            (spine.x + sign * (spine.half_width * 0.82), back + 4.5),
            (9.5, 9.0),
            FAT_HU + 14,
            edge_mm=1.2,
        )
    middle = (spine.x, back + spine.canal_depth / 2 - 1.2)
    wide = 7.6 + 0.45 * spine.place
    canvas.ellipse(middle, (wide + 3.6, spine.canal_depth / 2 + 1.0), FAT_HU + 20)
    canvas.ellipse((middle[0], back + spine.canal_depth + 4.0), (4.5, 9.0), 52.0, edge_mm=1.0)
    canvas.ellipse(middle, (wide, 6.9), 14.0)
    cord = float(np.clip(3.6 - spine.place, 0.0, 1.0))
    canvas.ellipse(middle, (4.6 * cord, 3.6 * cord), 42.0)
    if cord < 1:
        for root in range(10):
            x = (root % 5 - 2) * wide * 0.3
            y = 1.6 + 1.9 * (root // 5) - 0.09 * x * x
            canvas.ellipse((middle[0] + x, middle[1] + y), (1.0, 0.9), 44.0)
    _roots(canvas, spine, back)


def _roots(canvas: Canvas, spine: Along, back: float) -> None:
    """Paint the exiting roots: each leaves under its pedicle, outwards and forwards."""
    below_middle = spine.place - np.round(spine.place)
    share = float(np.clip((below_middle + 0.02) / 0.52, 0, 1))
    if not 0 < share < 1:
        return
    for sign in _SIDES:
        x = spine.x + sign * (8.5 + 22.0 * share)
        y = back + 5.0 - 9.0 * max(0.0, share - 0.45)
        thick = 1.9 + 1.7 * max(0.0, 1 - abs(share - 0.4) / 0.2)
        canvas.ellipse((x, y), (thick + 0.9, thick), 36.0)
