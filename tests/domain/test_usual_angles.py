"""Usual angles: the figures of their sources lie in them, and what has no figure has no range.

The figures are those that the sources print as far as they were readable: Dickman 1992 for lumbar
convergence, teaching pages, Surg Radiol Anat 2020;42:299 for S1, a CT study of the cortical
trajectory; the rule of thumb is common practice, no source.
"""

from __future__ import annotations

import doctest

import pytest

from registry.domain import usual_angles
from registry.domain.levels import LEVELS
from registry.domain.techniques import EntryTechnique
from registry.domain.usual_angles import usual_convergence, usual_sagittal

DICKMAN = {f"L{number}": 5 * number for number in range(1, 6)}
TEACHING = {"T1": (25, 30), "T11": (0, 5), "T12": (0, 5), "L4": (20, 20), "L5": (25, 30),
            "S1": (30, 30)}  # fmt: skip
THUMB = {**{f"T{number}": (7, 10) for number in range(1, 13)}, "L1": (5, 10), "L2": (5, 10),
         "L3": (5, 10), "L4": (10, 15), "L5": (10, 15)}  # fmt: skip


def test_every_figure_of_a_source_lies_in_its_level_s_range():
    for level, angle in DICKMAN.items():
        assert usual_convergence(level, "lateral intersection").contains(angle)
    for level, ends in (*TEACHING.items(), *THUMB.items()):
        assert all(usual_convergence(level, "subfacet").contains(angle) for angle in ends), level
    for level, angle in {"T1": -20, "T11": -15, "T12": -5, "L1": -5, "L2": 0, "L5": 0}.items():
        assert usual_sagittal(level, "subfacet").contains(angle), level
    assert (usual_convergence("S1", "").low, usual_convergence("S1", "").high) == (7, 38)
    cortical = EntryTechnique.CORTICAL_BONE_TRAJECTORY
    assert (usual_convergence("L4", cortical).low, usual_sagittal("L4", cortical).high) == (
        -20.9,
        24.9,
    )


def test_isthmus_entry_needs_no_more_than_the_lateral_intersection():
    for level in DICKMAN:
        isthmus, lateral = (
            usual_convergence(level, each) for each in ("isthmus", "lateral intersection")
        )
        assert isthmus.low <= lateral.low
        assert isthmus.high == lateral.high


@pytest.mark.parametrize("technique", EntryTechnique)
def test_a_range_is_one_and_says_where_it_is_from(technique):
    for level in LEVELS:
        for found in (
            usual_convergence(level.code, technique),
            usual_sagittal(level.code, technique),
        ):
            assert found is None or (found.low < found.high and len(found.source) > 10)


def test_what_nobody_has_a_figure_for_has_no_range():
    assert usual_convergence("T5", "in-out-in") is None
    assert usual_convergence("C5", "cervical pedicle") is None
    assert usual_sagittal("S1", "sacral facet corner") is None
    assert usual_convergence("S1", "cortical bone trajectory") is None


def test_the_examples_run():
    assert doctest.testmod(usual_angles).failed == 0
