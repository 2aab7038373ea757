"""The sacrum, in the frame of its upper endplate."""

from __future__ import annotations

import numpy as np

from tests.build.other_spine.bones import SIDES, Bone
from tests.build.other_spine.shapes import Body, Loft, bar


def _tube(begin, end, up, wide, tall, **more):
    return bar(begin, end, up, (wide, wide), (tall, tall), **more)


def sacrum(sizes, rng) -> Bone:
    """Return S1 to S3 in one piece, with its canal, its foramina and its wings."""
    half, back = sizes.height / 2.0, sizes.depth / 2.0
    z_of = (0.0, -half - 11.0, -half - 32.0)
    body = Body(
        sizes.width, sizes.depth, sizes.height + 6.0, waist=0.02, dish_mm=0.8, cortex_mm=1.0
    )
    parts = [
        body,
        bar((0, 0, 0), (0, 14.0, z_of[2]), (0, 1, 0), (22, 13), (14, 8), cortex_mm=1.0),
        bar((0, back + 13, 2), (0, back + 20, z_of[2]), (0, 1, 0), (9, 6), (5, 4), cortex_mm=1.6),
    ]
    corridors, foramina = {}, []
    joints = []
    for side, sign in SIDES.items():
        wing = bar(
            (sign * 14, 4, -2), (sign * 54, 13, -9), (0, 0, 1), (17, 15), (14, 11), cortex_mm=1.1
        )
        mass = bar(
            (sign * 27, back + 2, 4),
            (sign * 24, 24, z_of[2]),
            (0, 1, 0),
            (12, 11),
            (13, 7),
            cortex_mm=1.2,
        )
        plate = bar(
            (sign * 24, back + 10, -8),
            (0, back + 15, -10),
            (0, 0, 1),
            (4, 4),
            (16, 16),
            cortex_mm=1.4,
        )
        facet = bar(
            (sign * 22, back + 10, 2),
            (sign * 21, back + 9, half + 8),
            (0, 1, 0),
            (7, 5),
            (5, 4),
            cortex_mm=1.5,
        )
        parts += [wing, mass, plate, facet]
        joints.append(facet)
        corridors[side] = _sacral_corridor(sizes, side, back, rng)
        foramina += [
            _tube((sign * 17, -back, z - 5), (sign * 19, back + 26, z + 2), (0, 0, 1), 5.0, 5.5)
            for z in (-half - 4.0, -half - 24.0)
        ]
    canal = bar(
        (0, back + 5.5, half + 8),
        (0, back + 12.0, z_of[2] - 5),
        (0, 1, 0),
        (15, 8),
        (7.5, 4.5),
        drop=-0.2,
    )
    return Bone("S1", sizes, tuple(parts), (canal,), tuple(foramina), corridors, tuple(joints))


def _sacral_corridor(sizes, side, back, rng) -> Loft:
    sign = SIDES[side]
    turn = np.deg2rad(sizes.convergence_deg + float(rng.normal(0, 2.0)))
    along = np.array([-sign * np.sin(turn), -np.cos(turn), 0.22])
    along /= np.linalg.norm(along)
    across = np.array([-sign, 0.0, 0.0])
    across -= (across @ along) * along
    across /= np.linalg.norm(across)
    up = np.cross(along, across)
    up = up if up[2] > 0 else -up
    return Loft(
        origin=np.array([sign * 22.5, back + 1.0, -0.1 * sizes.height]),
        along=along,
        across=across,
        up=up,
        start=-9.0,
        stop=12.0,
        half_across=(7.0, 0, 0),
        half_up=(7.0, 0, 0),
    )


def ilium(bone: Bone, side: str) -> Bone:
    """Return the back part of a hip bone, a joint's gap outside the sacrum's wing."""
    sign, back = SIDES[side], bone.sizes.depth / 2.0
    blade = bar(
        (sign * 68, -26, -2),
        (sign * 47, back + 28, -10),
        (0, 0, 1),
        (6, 9),
        (34, 22),
        cortex_mm=1.5,
    )
    return Bone(f"ilium {side}", bone.sizes, (blade,), ())
