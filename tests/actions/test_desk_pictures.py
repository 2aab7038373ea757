"""The desk's pictures show what lies there, at the places their layouts say."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest

from registry.actions.desk_pictures import (
    SAME_SECTION_MM,
    Pictures,
    across_of,
    along_picture,
    metal_picture,
    plane_of,
    plane_picture,
    section_depths,
    section_pictures,
    suggest_axis,
)
from registry.actions.desk_screw import desk_screw
from registry.domain.access import Role
from registry.domain.directions import Side
from registry.domain.problems import BadInputError, NotFoundError
from tests.build.desk import (
    CANAL_HU,
    FROM_MIDDLE_MM,
    L3_LEFT,
    L4_LEFT,
    L4_RIGHT,
    METAL_HU,
    TISSUE_HU,
    a_desk_ledger,
    placed,
)
from tests.build.ledgers import NOW, REGISTRAR, SURGEONS, KnownAccount, an_account, viewer

if TYPE_CHECKING:
    from collections.abc import Iterator

    from registry.domain.access import Viewer
    from registry.store.home import Ledger

BODO = KnownAccount("bodo", frozenset({Role.REGISTRAR, Role.SURGEON}), SURGEONS[1])
"""Operated on the second case."""


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ledger]:
    made = a_desk_ledger(tmp_path_factory.mktemp("desk") / "ledger")
    an_account(made, BODO)
    yield made
    made.close()


@pytest.fixture(scope="module")
def reader(ledger: Ledger) -> Viewer:
    return viewer(ledger, REGISTRAR)


def value_at(pictures: Pictures, plane: int, u: float, v: float) -> int:
    """Return the value nearest a section's (u, v): columns to medial, rows downwards."""
    _, rows, columns = pictures.values.shape
    spacing = pictures.layout["spacing_mm"]
    row, column = round((rows - 1) / 2 - v / spacing), round((columns - 1) / 2 + u / spacing)
    return int(pictures.values[plane, row, column])


@pytest.mark.parametrize("length_mm", [5.0, 5.0004, 39.9996, 40.0, 40.2, 45.03, 45.999])
def test_sections_lie_a_millimetre_apart_from_entry_to_tip(length_mm: float):
    depths = section_depths(length_mm)
    assert depths[0] == 0.0
    assert length_mm - SAME_SECTION_MM <= depths[-1] <= length_mm
    assert all(0.0 < high - low <= 1.0 for low, high in pairwise(depths))


@pytest.mark.parametrize(
    ("assignment", "x"), [(L4_LEFT, FROM_MIDDLE_MM), (L4_RIGHT, -FROM_MIDDLE_MM)]
)
def test_the_ends_of_a_screw_come_from_the_metal_near_the_pick(
    ledger: Ledger, reader: Viewer, assignment: int, x: float
):
    found = suggest_axis(ledger, reader, assignment, (x + 2.0, -8.0, 1.0), NOW)
    assert math.dist(found.entry_mm, (x, 10.0, 0.0)) < 1.0
    assert math.dist(found.tip_mm, (x, -30.0, 0.0)) < 0.6
    assert found.length_mm == pytest.approx(40.0, abs=1.2)
    assert found.shank_diameter_mm == pytest.approx(6.5, abs=0.6)


def test_a_pick_far_from_metal_is_told_so(ledger: Ledger, reader: Viewer):
    with pytest.raises(BadInputError, match="no metal lies within"):
        suggest_axis(ledger, reader, L4_LEFT, (0.0, -40.0, 10.0), NOW)


@pytest.mark.parametrize(
    ("assignment", "side"), [(L4_LEFT, Side.LEFT), (L4_RIGHT, Side.RIGHT)], ids=["left", "right"]
)
def test_sections_have_the_screw_in_the_middle_and_medial_at_the_right(
    ledger: Ledger, reader: Viewer, assignment: int, side: Side
):
    found = section_pictures(ledger, reader, assignment, placed(side), NOW)
    assert found.layout["depths_mm"] == [float(depth) for depth in range(41)]
    assert found.values.shape == (41, found.layout["rows"], found.layout["columns"])
    # At 13 mm the section cuts the dark block, whose edge lies 9 mm towards the middle.
    assert value_at(found, 13, 0.0, 0.0) == METAL_HU
    assert value_at(found, 13, 12.0, 3.0) == CANAL_HU
    assert value_at(found, 13, -12.0, 3.0) == TISSUE_HU
    assert value_at(found, 13, 7.0, 0.0) == TISSUE_HU
    assert len(found.to_bytes()) == 2 * found.values.size


@pytest.mark.parametrize("side", list(Side))
def test_the_picture_along_the_axis_has_the_entry_at_the_left_and_medial_on_top(
    ledger: Ledger, reader: Viewer, side: Side
):
    number = L4_LEFT if side is Side.LEFT else L4_RIGHT
    found = along_picture(ledger, reader, number, placed(side), "medial", NOW)
    picture, spacing = found.values[0], found.layout["spacing_mm"]
    middle = picture[len(picture) // 2]
    start = found.layout["start_mm"]

    def column(depth: float) -> int:
        return round((depth - start) / spacing - 0.5)

    assert middle[column(1.0)] == middle[column(39.0)] == METAL_HU
    assert middle[column(41.5)] == TISSUE_HU
    upper = picture[round(len(picture) / 2 - 12.0 / spacing)]
    lower = picture[round(len(picture) / 2 + 12.0 / spacing)]
    assert upper[column(13.0)] == CANAL_HU
    assert lower[column(13.0)] == TISSUE_HU


def test_each_pixel_of_the_metal_picture_knows_its_place(ledger: Ledger, reader: Viewer):
    found = metal_picture(ledger, reader, L4_LEFT, NOW)
    brightest = np.argwhere(found.values[0] == METAL_HU)
    x, _, z = (found.values[plane, brightest[:, 0], brightest[:, 1]] / 10.0 for plane in (1, 2, 3))
    assert set(np.sign(x)) == {-1.0, 1.0}
    assert np.abs(np.abs(x) - FROM_MIDDLE_MM).max() <= 6.0
    assert np.abs(z).max() <= 6.0


def test_an_axial_plane_is_placed_by_its_corner(ledger: Ledger, reader: Viewer):
    found = plane_picture(ledger, reader, L4_LEFT, "axial", None, NOW)
    layout = found.layout
    assert layout["position_mm"] == pytest.approx(0.0)
    assert layout["span_mm"] == [-20.0, 20.0]
    row = round((-20.0 - layout["corner_mm"][1]) / layout["spacing_mm"])
    column = round((FROM_MIDDLE_MM - layout["corner_mm"][0]) / layout["spacing_mm"])
    assert found.values[0, row, column] == METAL_HU
    with pytest.raises(BadInputError, match="outside the scan"):
        plane_picture(ledger, reader, L4_LEFT, "axial", 500.0, NOW)


def test_words_that_name_no_picture_are_refused():
    assert [across_of(word) for word in ("medial", "cranial")] == ["medial", "cranial"]
    assert [plane_of(word) for word in ("axial", "coronal", "sagittal")]
    for read in (across_of, plane_of):
        with pytest.raises(BadInputError, match=r"no (view|plane) 'sideways'"):
            read("sideways")


def test_whoever_operated_sees_no_picture_of_their_own_case(ledger: Ledger):
    bodo = viewer(ledger, BODO)
    asked = (
        lambda: desk_screw(ledger, bodo, L3_LEFT, NOW),
        lambda: metal_picture(ledger, bodo, L3_LEFT, NOW),
        lambda: plane_picture(ledger, bodo, L3_LEFT, "axial", None, NOW),
        lambda: section_pictures(ledger, bodo, L3_LEFT, placed(), NOW),
        lambda: along_picture(ledger, bodo, L3_LEFT, placed(), "cranial", NOW),
        lambda: suggest_axis(ledger, bodo, L3_LEFT, (15.0, 0.0, 0.0), NOW),
    )
    for ask in asked:
        with pytest.raises(NotFoundError):
            ask()
    assert desk_screw(ledger, bodo, L4_LEFT, NOW).level == "L4"
