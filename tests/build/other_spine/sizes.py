"""Sizes of vertebrae, mm and degrees.

Pedicle widths and convergence follow the order of size of Zindrick MR et al., Spine 1987;12:160
(means from memory, clinical reference of the project); body, canal and disc sizes and the tilts
are common practice, no source, from memory. Each spine scatters about them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

ORDER = (*(f"T{n}" for n in range(1, 13)), *(f"L{n}" for n in range(1, 6)), "S1")


@dataclass(frozen=True)
class Sizes:
    """One vertebra's sizes.

    tilt_deg : of its upper endplate in standing habit, positive when it faces forwards
    disc_mm : height of the disc below it
    """

    width: float
    depth: float
    height: float
    canal_width: float
    canal_depth: float
    pedicle_width: float
    pedicle_height: float
    convergence_deg: float
    pedicle_down_deg: float
    tilt_deg: float
    disc_mm: float
    screw_mm: float


_ROWS = {
    "T1": (29, 17, 17, 20, 15, 7.9, 9.9, 27, 12, 25, 4.5, 5.0),
    "T2": (28, 18, 18, 18, 15, 7.0, 11.5, 19, 17, 22, 4.0, 5.0),
    "T3": (27, 19.5, 18.5, 17, 15, 5.9, 12, 16.5, 16, 19, 4.0, 4.5),
    "T4": (26.5, 21, 19, 16.5, 15, 5.2, 12, 14, 16, 15, 4.0, 4.5),
    "T5": (27, 23, 19.5, 16, 15, 5.0, 12, 12, 15, 11, 4.0, 4.5),
    "T6": (28, 25, 20, 16, 15, 5.3, 12, 9, 15, 6, 4.5, 4.5),
    "T7": (29, 26.5, 20.5, 16, 15, 5.5, 12, 9, 15, 2, 4.5, 5.0),
    "T8": (30, 27.5, 21, 16, 15, 5.9, 12.5, 8, 15, -3, 5.0, 5.0),
    "T9": (31.5, 28.5, 21.5, 16.5, 15, 6.3, 13.8, 7.5, 15, -7, 5.5, 5.5),
    "T10": (33, 29, 22.5, 17, 15, 6.6, 14.7, 5, 14, -11, 6.0, 5.5),
    "T11": (36, 30, 23.5, 18.5, 15.5, 7.8, 17, 2, 12, -14, 6.5, 6.0),
    "T12": (40, 30.5, 24.5, 21, 16.5, 7.4, 16, -3, 9, -17, 7.5, 6.0),
    "L1": (41, 31.5, 26, 22, 17, 8.4, 15.4, 8, 4, -17, 8.5, 6.0),
    "L2": (43, 32.5, 27, 22.5, 16.5, 8.8, 15, 11, 3, -13, 9.5, 6.5),
    "L3": (45, 33.5, 27.5, 23, 16, 10.2, 14.7, 14, 1, -6, 10.5, 6.5),
    "L4": (47.5, 34, 27.5, 23.5, 16, 12.4, 14.5, 17, -1, 4, 11.5, 6.5),
    "L5": (50, 34.5, 27, 25, 16.5, 16, 14, 24, -2, 18, 11.0, 7.0),
    "S1": (50, 32, 30, 30, 15, 19, 14, 27, -3, 38, 0.0, 7.0),
}


def sizes_of(level: str, rng, patient: float) -> Sizes:
    """Return one person's sizes at a level, scattered by a few parts in a hundred."""
    row = [float(value) for value in _ROWS[level]]
    for column in range(7):
        row[column] *= patient * float(rng.normal(1.0, 0.09 if column in {5, 6} else 0.04))
    row[7] += float(rng.normal(0.0, 2.0))
    row[8] += float(rng.normal(0.0, 2.0))
    row[9] += float(rng.normal(0.0, 1.5))
    row[10] *= float(rng.uniform(0.6, 1.1))
    sizes = Sizes(*row)
    return replace(sizes, pedicle_width=max(sizes.pedicle_width, 3.6))
