"""A share of `tests/long/test_proposals_on_drawings.py`: one drawn scan, found and measured."""

from __future__ import annotations

from tests.build.drawn_scenes import quick
from tests.build.judged_proposals import Judged


def test_a_drawn_scan_is_found_whole_and_measured_within_its_uncertainty() -> None:
    judged = Judged()
    judged.add("1101", *quick(1101))
    told = "\n".join(judged.lines())
    assert judged.found == judged.drawn >= 3, told
    assert judged.wrong == judged.false == 0, told
    assert not judged.screws_missed, told
    assert max(judged.axis_deg) < 1.0, told
    assert max(judged.tip_mm) < 1.2, told
    assert judged.covered >= 0.9, told
