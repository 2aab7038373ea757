"""Marks come back from their JSON as they were, and nothing else gets in."""

from __future__ import annotations

import json

import pytest

from registry.actions.desk_marks import Bone, Calliper, FrontMarks, Marks, read_marks
from registry.actions.desk_screw import Placing
from registry.domain.directions import Direction, Side
from registry.domain.problems import BadInputError
from tests.build.desk import placed, ring, ring_marks

ENDS = {"entry_mm": [15.0, 10.0, 0.0], "tip_mm": [15.0, -30.0, 0.0]}


ENDPLATE = ((0.0, -40.0, 9.0), (0.5, -5.0, 7.5))


def everything() -> Marks:
    return Marks(
        Placing(placed().axis, ((0.0, -30.0, 0.0), (1.0, 40.0, 5.0)), ENDPLATE),
        {Bone.OUTLINE: {12.0: ring(0), 8.0: ring(1)}, Bone.UPPER_ENDPLATE: {30.0: ring(0)}},
        (Calliper(9.0, (1.0, 0.0), (3.25, 0.0)),),
        frozenset({Direction.LATERAL, Direction.CAUDAL}),
        FrontMarks("cranial", ((38.0, -5.0), (38.5, 0.0), (38.0, 5.0))),
        6.5,
        is_axis_proposed=True,
        found=frozenset({"midplane"}),
    )


def test_marks_come_back_as_they_were_kept():
    assert read_marks(json.loads(everything().to_json())) == everything()
    assert read_marks(json.loads(Marks(placed()).to_json())) == Marks(placed())
    # What was kept before anybody asked whose ends they were reads the same.
    for later in ("proposed", "endplate", "found"):
        assert later not in Marks(placed()).to_json()


def test_the_same_marks_are_kept_as_the_same_text_whatever_their_order():
    outlines = ring_marks(0.0).bones[Bone.OUTLINE]
    turned = Marks(placed(), {Bone.OUTLINE: dict(reversed(outlines.items()))})
    assert turned.to_json() == ring_marks(0.0).to_json()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"entry_mm": None}, "entry_mm"),
        ({"entry_mm": [1, 2]}, "entry_mm"),
        ({"entry_mm": [1, 2, "3"]}, "entry_mm"),
        ({"entry_mm": [True, 2, 3]}, "entry_mm"),
        ({"tip_mm": [15.0, float("nan"), 0.0]}, "no length"),
        ({"tip_mm": [15.0, 9.0, 0.0]}, "mm apart"),
        ({"tip_mm": [15.0, 50.0, 0.0]}, "in front of the entry"),
        ({"midplane_mm": [[0, 0, 0]]}, "two points"),
        ({"midplane_mm": [[0, 0, 0], [30, 5, 0]]}, "one behind the other"),
        ({"midplane_mm": [[0, 0, 0], [0, 0, 9]]}, "one behind the other"),
        ({"endplate_mm": [[0, 0, 0]]}, "two points"),
        ({"endplate_mm": [[0, -30, 0], [0, -30, 9]]}, "one before the other"),
        ({"endplate_mm": [[0, -30, 40], [0, -20, 0]]}, "one before the other"),
        ({"found": ["entry"]}, "found"),
        ({"bones": []}, None),
        ({"bones": ["outline"]}, "bones"),
        ({"bones": {"skull": []}}, "bones"),
        ({"bones": {"outline": [3]}}, "outline"),
        ({"bones": {"outline": [{"depth_mm": 1, "points_mm": [[1, 2, 3]]}]}}, "outline"),
        ({"bones": {"outline": [{"points_mm": [[1, 2]]}]}}, "outline"),
        ({"bones": {"outline": [{"depth_mm": 1, "points_mm": [[0, 0]] * 101}]}}, "too many"),
        ({"bones": {"outline": [{"depth_mm": 1, "points_mm": []}] * 61}}, "too many"),
        ({"callipers": [{"depth_mm": 1, "cortex_mm": [0, 0], "edge_mm": None}]}, "callipers"),
        ({"callipers": "line"}, "callipers"),
        ({"contained": ["anterior"]}, "contained"),
        ({"front": {"across": "sideways", "points_mm": []}}, "front"),
        ({"front": [1]}, "front"),
        ({"estimated_diameter_mm": "6"}, "diameter"),
    ],
)
def test_what_is_no_mark_is_refused_in_words(changes: dict[str, object], words: str | None):
    if words is None:
        assert read_marks({**ENDS, **changes}).bones == {}
        return
    with pytest.raises(BadInputError, match=words):
        read_marks({**ENDS, **changes})


@pytest.mark.parametrize("side", list(Side))
def test_medial_follows_the_midplane_that_the_reader_set(side: Side):
    turned = Placing(placed(side).axis, ((-3.0, -30.0, 0.0), (3.0, 40.0, 0.0)))
    medial = turned.frame(0.0, side).medial
    assert medial[0] * (1 if side is Side.RIGHT else -1) > 0.99
    assert turned.midplane is not None
    assert placed(side).midplane is None
