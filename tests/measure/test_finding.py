"""Every screw of a drawn construct is found, and nothing else; the truth is by construction.

The phantoms are invented. Bounds: axis within half a degree and tip within 0.6 mm, which is what
the program aims at.
"""

from __future__ import annotations

import numpy as np
import pytest

from registry.domain.directions import Side
from registry.measure.proposals.finding import find_screws
from tests.measure.construct_phantom import (
    COBALT_HU,
    Scene,
    ball,
    bar,
    block,
    draw,
    rod_parts,
    screw,
    screw_parts,
    spine,
    turned,
)

LEFT, RIGHT = Side.LEFT, Side.RIGHT
COARSE = {"spacing": (0.8, 0.8, 1.2)}


def construct(vertebrae, sides=(LEFT, RIGHT), *, has_rods=True, has_heads=True, **sizes):
    """Return a scene with a screw at every level of each side."""
    screws = [screw(item, side, **sizes) for side in sides for item in vertebrae]
    metal = [part for item in screws for part in screw_parts(item, has_head=has_heads)]
    for side in sides:
        if has_rods:
            metal += rod_parts([item for item in screws if item.side is side])
    return Scene(vertebrae, screws, metal)


def assert_all_found(scene, voxels, affine, *, axis_deg=0.5, tip_mm=0.6):
    voxels.flags.writeable = False
    found = list(find_screws(voxels, affine))
    assert len(found) == len(scene.screws)
    for item in scene.screws:
        nearest = min(found, key=lambda each: np.linalg.norm(each.axis.tip_mm - item.tip))
        found.remove(nearest)
        assert np.linalg.norm(nearest.axis.tip_mm - item.tip) < tip_mm
        cosine = min(1.0, float(nearest.axis.direction @ item.way))
        assert np.degrees(np.arccos(cosine)) < axis_deg


PAIR = spine(("L3", "L4"))
CASES = {
    "one side, feet first, prone": (
        construct(PAIR, (LEFT,)),
        {"feet_first": True, "turn": np.diag([-1.0, -1.0, 1.0])},
    ),
    "no rods, in an oblique scan": (
        construct(PAIR, has_rods=False),
        {"turn": turned(0, 18) @ turned(2, 8)},
    ),
    "shanks alone, 3.5 x 22 mm": (
        construct(PAIR, has_rods=False, has_heads=False, diameter=3.5, length=22.0),
        {"spacing": (0.7, 0.7, 1.0)},
    ),
    "clipped to 12 bits, tips that meet": (
        construct(PAIR, inwards=31.0, length=46.0),
        {"clip": (-1024, 3071), "psf_mm": 0.7},
    ),
    "8.5 x 60 mm, steep": (construct(PAIR, diameter=8.5, length=60.0, inwards=4.0, up=-30.0), {}),
}


@pytest.mark.parametrize("case", list(CASES))
def test_every_screw_is_found_and_nothing_else(case):
    scene, options = CASES[case]
    assert_all_found(scene, *draw(scene, **(COARSE | options)))


def test_a_curved_and_turned_spine_with_cobalt_rods_and_a_cross_link():
    scene = construct(spine(("L1", "L2", "L3"), bow_mm=25, turn_deg=28), inwards=15.0)
    rods = [
        [item.entry - 12 * item.way for item in scene.screws if item.side is side]
        for side in (LEFT, RIGHT)
    ]
    for side in (LEFT, RIGHT):
        scene.metal.extend(
            rod_parts([item for item in scene.screws if item.side is side], COBALT_HU)
        )
    scene.metal.append(bar((rods[0][0] + rods[0][1]) / 2, (rods[1][0] + rods[1][1]) / 2, 2.75))
    assert_all_found(scene, *draw(scene, **COARSE, streak_hu=800.0))


def test_cages_wires_and_metal_far_away_are_no_screws():
    scene = construct(PAIR)
    disc = (PAIR[0].middle + PAIR[1].middle) / 2
    beside = disc + np.array([-9, -8, -4])
    scene.metal.extend(
        [
            block(disc + np.array([7, 2, 0]), turned(2, 30), (10, 26, 9), hollow=0.6),
            bar(beside, beside + np.array([0, 0, 8]), 0.8, 9000.0),
            bar(PAIR[0].at(8, 30, 10), PAIR[0].at(8, 55, 10), 0.6),
            bar([60, 0, -160], [52, 5, -110], 6.5),
            ball([48, 5, -105], 14),
            bar([25, -50, 40], [28, -20, 40], 4.0, 9000.0),
        ]
    )
    assert_all_found(scene, *draw(scene, **COARSE))


def test_without_metal_nothing_is_found():
    assert find_screws(np.full((20, 30, 30), 900, dtype=np.int16), np.eye(4)) == ()
