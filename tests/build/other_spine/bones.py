"""Vertebrae as unions of solids in the vertebra's own frame.

Own frame: x to the left, y to the back, z at right angles to the upper endplate, mm, from the
middle of the body.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.build.other_spine.shapes import Body, Loft, bar, bounds, smooth_max, union

SIDES = {"L": 1.0, "R": -1.0}


def offset(start, by):
    return np.asarray(start) + np.asarray(by)


@dataclass(frozen=True)
class Bone:
    """Parts joined, and hollows cut out of them afterwards.

    corridors : by side, the loft down whose middle a screw goes
    joints : parts of the bone that a neighbour's facet must leave room for
    void_blend_mm : rounding of the hollows' edges
    """

    level: str
    sizes: object
    parts: tuple
    canal: tuple[Loft, ...]
    foramina: tuple[Loft, ...] = ()
    corridors: dict[str, Loft] = field(default_factory=dict)
    joints: tuple[Loft, ...] = ()
    facets: tuple[Loft, ...] = ()

    def field(self, points):
        """Return field and cortex at own points (n, 3)."""
        if not len(points):
            return union((), points)
        between = bounds(points)
        total, cortex = union(self.parts, points, between)
        for hollow in (*self.canal, *self.foramina):
            hollowed, _ = union((hollow,), points, between)
            total = smooth_max(total, -hollowed, 1.5)
        return total, cortex

    def in_canal(self, points):
        return union(self.canal, points)[0] < 0.0

    def in_foramen(self, points):
        return union(self.foramina, points)[0] < 0.0


def _pedicle(sizes, side, rng, where) -> Loft:
    sign = SIDES[side]
    own = float(rng.normal(1.0, 0.05))
    turn = np.deg2rad(sizes.convergence_deg + float(rng.normal(0.0, 1.5)))
    down = np.deg2rad(sizes.pedicle_down_deg)
    along = np.array(
        [-sign * np.sin(turn) * np.cos(down), -np.cos(turn) * np.cos(down), -np.sin(down)]
    )
    across = np.array([-sign, 0.0, 0.0])
    across = across - (across @ along) * along
    across /= np.linalg.norm(across)
    up = np.cross(along, across)
    up = up if up[2] > 0 else -up
    half = 0.5 * own * sizes.pedicle_width
    tall = 0.5 * sizes.pedicle_height * float(rng.normal(1.0, 0.03))
    length = 8.0 + 0.12 * sizes.width
    return Loft(
        origin=np.asarray(where),
        along=along,
        across=across,
        up=up,
        start=-0.62 * length,
        stop=0.95 * length,
        half_across=(half, 0.012 * half, 0.0045 * half),
        half_up=(tall, 0.006 * tall, 0.0022 * tall),
        bend_across=float(rng.normal(-0.010, 0.006)),
        bend_up=float(rng.normal(0.0, 0.006)),
        drop=float(np.clip(rng.normal(0.16, 0.08), -0.1, 0.35)),
        kidney=float(np.clip(rng.normal(-0.14, 0.08), -0.3, 0.1)),
        cortex_mm=min(0.24 * half + 0.55, 1.7),
        uneven=0.38,
        blend_mm=3.0,
    )


def vertebra(level: str, sizes, rng, spur_mm: float = 2.0) -> Bone:
    """Return a thoracic or lumbar vertebra."""
    lumbar = level.startswith("L")
    spurs = tuple(
        (
            float(rng.uniform(-np.pi, 0.0)),
            int(rng.choice((-1, 1))),
            float(rng.uniform(0.15, 0.4)),
            float(rng.uniform(0.3, 1.0)) * spur_mm,
        )
        for _ in range(6 if lumbar else 3)
    )
    body = Body(
        sizes.width,
        sizes.depth,
        sizes.height,
        waist=float(rng.uniform(0.07, 0.13)),
        dish_mm=float(rng.uniform(0.8, 2.2)),
        wedge=float(rng.uniform(-0.04, 0.1)) if lumbar else float(rng.uniform(-0.08, 0.0)),
        skew=float(rng.normal(0.0, 0.015)),
        spurs=spurs,
    )
    back = sizes.depth / 2.0
    corridors, parts, joints, facets = {}, [body], [], []
    for side, sign in SIDES.items():
        middle = sizes.canal_width / 2.0 + sizes.pedicle_width / 2.0
        high = sizes.height * (0.19 if lumbar else 0.22) + float(rng.normal(0, 0.5))
        corridors[side] = _pedicle(sizes, side, rng, (sign * middle, back + 3.5, high))
        parts.append(corridors[side])
        parts += _transverse(lumbar, sizes, sign, corridors[side], rng)
        upper, lower, rest = _arch(lumbar, sizes, sign, corridors[side], rng)
        parts += [upper, lower, *rest]
        joints.append(upper)
        facets.append(lower)
    parts.append(_spinous(lumbar, sizes, rng))
    canal = _canal(sizes, back)
    return Bone(level, sizes, tuple(parts), (canal,), (), corridors, tuple(joints), tuple(facets))


def _canal(sizes, back) -> Loft:
    reach = sizes.height / 2.0 + 7.0
    middle = back - 0.06 * sizes.depth + sizes.canal_depth / 2.0
    return Loft(
        origin=np.array([0.0, middle, 0.0]),
        along=np.array([0.0, 0.0, 1.0]),
        across=np.array([1.0, 0.0, 0.0]),
        up=np.array([0.0, 1.0, 0.0]),
        start=-reach,
        stop=reach,
        half_across=(sizes.canal_width / 2.0, 0.0, 0.002),
        half_up=(sizes.canal_depth / 2.0, 0.0, 0.002),
        drop=-0.22,
    )


def _arch(lumbar, sizes, sign, pedicle, rng):
    """Return the upper and lower articular processes of a side and what lies between them."""
    root = pedicle.centre([pedicle.start])[0]
    back = sizes.depth / 2.0
    ridge = np.array([0.0, back + sizes.canal_depth + 3.0, -0.22 * sizes.height])
    half = sizes.height / 2.0
    size = 4.4 if lumbar else 3.3
    top = offset(
        root, [sign * (1.5 if lumbar else 0.5), 2.0, half - root[2] + (5.5 if lumbar else 2.5)]
    )
    upper = bar(
        offset(root, [0, 1, -2]),
        top,
        (0, 1, 0),
        (size + 1, size),
        (size, size * 0.75),
        cortex_mm=1.4,
    )
    low_start = offset(root, [-sign * 2.5, 4.5, -0.3 * sizes.height])
    low_end = offset(
        low_start,
        [
            -sign * (0.5 if lumbar else 0.0),
            3.0 if lumbar else 1.0,
            -half - low_start[2] - (13.5 if lumbar else 8.0),
        ],
    )
    lower = bar(
        low_start, low_end, (0, 1, 0), (size + 0.6, size), (size * 0.85, size * 0.7), cortex_mm=1.5
    )
    pars = bar(
        offset(root, [0, 1.5, 1]),
        offset(low_start, [0, 0, -2]),
        (0, 1, 0),
        (size + 0.6, size),
        (4.2, 3.8),
        cortex_mm=1.8,
    )
    tall = 0.36 * sizes.height
    lamina = bar(
        offset(low_start, [sign * 1.0, -0.5, 2.0]),
        ridge,
        (0, 0, 1),
        (3.4, 3.2),
        (tall, tall * float(rng.uniform(1.0, 1.2))),
        cortex_mm=1.6,
    )
    return upper, lower, (pars, lamina)


def _transverse(lumbar, sizes, sign, pedicle, rng):
    root = pedicle.centre([pedicle.start])[0]
    if lumbar:
        tip = offset(
            root,
            [
                sign * float(rng.uniform(19, 25)),
                float(rng.uniform(1, 6)),
                float(rng.uniform(-3, 4)),
            ],
        )
        return [
            bar(
                offset(root, [sign * 1.0, 0.5, -2.0]),
                tip,
                (0, 0, 1),
                (3.2, 2.2),
                (6.0, 3.4),
                cortex_mm=1.1,
            )
        ]
    reach = float(rng.uniform(17, 21)) * (0.5 if sizes.convergence_deg < 4 else 1.0)
    tip = offset(root, [sign * reach, 0.62 * reach, float(rng.uniform(0, 4))])
    return [
        bar(
            offset(root, [sign * 0.5, 1, -1]), tip, (0, 0, 1), (4.0, 4.4), (5.5, 4.8), cortex_mm=1.2
        )
    ]


def _spinous(lumbar, sizes, rng):
    start = np.array([0.0, sizes.depth / 2.0 + sizes.canal_depth + 2.0, -0.25 * sizes.height])
    aside = float(rng.normal(0, 1.5))
    if lumbar:
        end = offset(start, [aside, float(rng.uniform(24, 30)), -6.0])
        return bar(start, end, (0, 0, 1), (3.2, 4.0), (10.0, 10.5), cortex_mm=1.3)
    end = offset(start, [aside, float(rng.uniform(22, 28)), -float(rng.uniform(12, 22))])
    return bar(start, end, (0, 0, 1), (3.0, 3.2), (7.0, 4.5), cortex_mm=1.3)
