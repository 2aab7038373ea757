"""How good proposals are on drawn scans that were never tuned on, and where they fail.

Seeds 1 to 99 and 1101 were tuned on, 1001 to 1012 and 1021 to 1024 never. What is asserted is what
was seen, with room. Everything is printed: run with -s.
"""

from __future__ import annotations

import numpy as np
import pytest

from demo_data.scenario.ct.varied.chance import random_scene
from demo_data.scenario.ct.varied.drawing import draw_scene
from tests.build.judged_proposals import Judged

SEEDS = range(1001, 1013)
HARDER = {
    "noise of three": {"noise": 3.0},
    "slices of 0.6 mm": {"slice_mm": 0.6},
    "slices of 2 mm": {"slice_mm": 2.0},
    "slices of 3 mm": {"slice_mm": 3.0},
    "cobalt-chrome throughout": {"metal": "cobalt-chrome"},
    "low-density bone": {"is_osteoporotic": True},
}


def _judged(seeds, **fixed) -> Judged:
    judged = Judged()
    for seed in seeds:
        judged.add(str(seed), *draw_scene(random_scene(seed, **fixed)))
    return judged


def test_twelve_scans_that_vary_in_everything():
    judged = _judged(SEEDS)
    print("", *judged.lines(), sep="\n  ")
    assert judged.drawn >= 60
    assert judged.found >= 0.95 * judged.drawn
    assert judged.wrong == 0
    assert judged.same_grade >= 0.8 * judged.graded
    assert judged.covered >= 0.93
    assert np.mean(judged.errors_mm(is_pedicle=True)) <= 0.3


@pytest.mark.parametrize("harder", HARDER)
def test_the_same_when_it_gets_harder(harder: str):
    judged = _judged((1021, 1022, 1023, 1024), **HARDER[harder])
    print("", f"{harder}:", *judged.lines(), sep="\n  ")
    assert judged.wrong == 0
    assert judged.covered >= 0.85
