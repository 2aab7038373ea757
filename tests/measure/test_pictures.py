"""Sections, pictures along the axis, overviews and projections."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from registry.domain.directions import Side
from registry.domain.problems import BadInputError
from registry.measure.axes import (
    ScrewAxis,
    along_to_patient,
    section_frame,
    section_frames,
    section_to_patient,
    voxel_to_patient,
)
from registry.measure.overview import (
    is_inside_scan,
    metal_projection,
    overview,
    scan_middle_mm,
    volume_span_mm,
)
from registry.measure.sampling import OUTSIDE_HU, sample_points
from registry.measure.sections import (
    AlongGrid,
    SectionGrid,
    along_to_pixel,
    pixel_to_along,
    pixel_to_section,
    sample_along_axis,
    sample_section,
    sample_sections,
    section_to_pixel,
)

SLOPE = np.array([3.0, -5.0, 7.0])


def ramp(affine: np.ndarray, counts: tuple[int, int, int]) -> np.ndarray:
    """Return a volume whose HU is SLOPE . (x, y, z): trilinear values are then exact."""
    ijk = np.stack(np.meshgrid(*[np.arange(n) for n in counts], indexing="ij"), axis=-1)
    return np.rint(voxel_to_patient(ijk, affine) @ SLOPE).astype(np.int16).transpose(2, 1, 0)


def affine_of(turn: tuple[float, float, float], sizes: tuple[float, float, float]) -> np.ndarray:
    affine = np.eye(4)
    affine[:3, :3] = Rotation.from_euler("xyz", turn, degrees=True).as_matrix() * sizes
    affine[:3, 3] = -affine[:3, :3] @ np.array([30.0, 30.0, 20.0])
    return affine


@settings(max_examples=25)
@given(
    turn=st.tuples(*[st.floats(-40.0, 40.0)] * 3),
    sizes=st.tuples(*[st.floats(0.4, 2.5)] * 3),
    data=st.data(),
)
def test_a_sample_is_the_fields_own_value_at_any_tilt(turn: tuple, sizes: tuple, data) -> None:
    affine = affine_of(turn, sizes)
    voxels = ramp(affine, (61, 61, 41))
    inside = data.draw(
        st.lists(st.tuples(*[st.floats(0, n) for n in (60, 60, 40)]), min_size=1, max_size=8)
    )
    points = voxel_to_patient(inside, affine)
    # Voxels are whole numbers: half a unit from that, half from the result's rounding.
    assert sample_points(voxels, affine, points) == pytest.approx(points @ SLOPE, abs=1.001)


def test_outside_the_volume_is_the_stated_value_and_the_edge_is_inside() -> None:
    voxels = np.full((3, 4, 5), 100, dtype=np.int32)
    points = np.array([[0, 0, 0], [4, 3, 2], [4.01, 3, 2], [-0.01, 0, 0]], dtype=float)
    assert sample_points(voxels, np.eye(4), points).tolist() == [100, 100, OUTSIDE_HU, OUTSIDE_HU]


def test_values_beyond_int16_are_set_to_its_end() -> None:
    voxels = np.full((2, 2, 2), 60_000, dtype=np.int32)
    assert sample_points(voxels, np.eye(4), np.array([[0.5, 0.5, 0.5]])).tolist() == [32767]


def test_a_memory_mapped_scan_is_read_without_being_written(tmp_path) -> None:
    affine = affine_of((0, 0, 0), (1, 1, 1))
    np.save(tmp_path / "scan.npy", ramp(affine, (61, 61, 41)))
    mapped = np.load(tmp_path / "scan.npy", mmap_mode="r")
    axis = ScrewAxis((0, 15, 0), (0, -15, 0))
    got = sample_section(mapped, affine, section_frame(axis, 15.0, Side.RIGHT), 5.0, 0.5)
    assert got.dtype == np.int16
    assert got.shape == (20, 20)


@pytest.mark.parametrize("side", list(Side))
def test_a_section_has_cranial_on_top_and_medial_at_the_right(side: Side) -> None:
    affine = affine_of((0, 0, 0), (1, 1, 1))
    voxels = ramp(affine, (61, 61, 41))
    frame = section_frame(ScrewAxis((0, 15, 0), (0, -15, 0)), 15.0, side)
    got = sample_section(voxels, affine, frame, 5.0, 0.5).astype(float)
    assert (np.diff(got, axis=0) < 0).all()  # HU grows with z, rows run down
    assert (np.diff(got, axis=1) > 0).all() == (side is Side.RIGHT)  # HU grows with x


def test_pixels_of_all_pictures_show_the_place_that_their_functions_name() -> None:
    affine = affine_of((10, 5, -8), (0.7, 0.7, 1.1))
    voxels = ramp(affine, (61, 61, 41))
    axis = ScrewAxis((3, 8, 2), (6, -8, -1))
    frames = section_frames(axis, [0.0, 4.0, 8.0], Side.RIGHT)
    grid = SectionGrid(4.0, 0.25)
    sections = sample_sections(voxels, affine, frames, 4.0, 0.25)
    assert sections.shape == (3, grid.size, grid.size)
    place = section_to_patient(pixel_to_section([5, 20], grid), frames[2])
    assert sections[2, 5, 20] == pytest.approx(place @ SLOPE, abs=1.001)
    along = AlongGrid(-2.0, 12.0, 4.0, 0.5)
    picture = sample_along_axis(voxels, affine, axis, frames[0].cranial, along)
    place = along_to_patient(pixel_to_along([3, 11], along), axis, frames[0].cranial)
    assert picture.shape == (16, 28)
    assert picture[3, 11] == pytest.approx(place @ SLOPE, abs=1.001)
    for plane, through in (("axial", 2), ("coronal", 1), ("sagittal", 0)):
        view = overview(voxels, affine, plane, scan_middle_mm(voxels, affine)[through])
        middle = np.array(view.pixels.shape) // 2
        place = view.pixel_to_patient(middle)
        assert view.pixels[tuple(middle)] == pytest.approx(place @ SLOPE, abs=1.001)
        assert view.patient_to_pixel(place) == pytest.approx(middle)


@given(u=st.floats(-20, 20), v=st.floats(-20, 20))
def test_pixel_and_millimetre_undo_each_other(u: float, v: float) -> None:
    grid, along = SectionGrid(20.0, 0.3), AlongGrid(-5.0, 50.0, 15.0, 0.3)
    assert pixel_to_section(section_to_pixel([u, v], grid), grid) == pytest.approx([u, v])
    assert pixel_to_along(along_to_pixel([u, v], along), along) == pytest.approx([u, v])


def test_a_picture_too_fine_or_too_large_is_refused() -> None:
    with pytest.raises(BadInputError, match="pixels"):
        SectionGrid(20.0, 0.001)
    with pytest.raises(BadInputError, match="above 0"):
        SectionGrid(20.0, 0.0)


def test_an_overview_is_laid_out_as_ct_is_shown() -> None:
    affine = affine_of((0, 0, 0), (1, 1, 1))
    voxels = np.zeros((41, 61, 61), dtype=np.int16)
    voxels[35, 10, 50] = 1000  # to the head, in front, on the patient's left
    x, y, z = voxel_to_patient([50, 10, 35], affine)
    for plane, position, is_low, is_right in (
        ("axial", z, False, True),
        ("coronal", y, False, True),
        ("sagittal", x, False, False),
    ):
        view = overview(voxels, affine, plane, position)
        row, column = np.unravel_index(view.pixels.argmax(), view.pixels.shape)
        assert (row > view.pixels.shape[0] / 2) == is_low
        assert (column > view.pixels.shape[1] / 2) == is_right


def test_a_plane_outside_the_scan_is_refused_with_its_range() -> None:
    with pytest.raises(BadInputError, match=r"choose 0\.0 to 2\.0"):
        overview(np.zeros((3, 3, 3), dtype=np.int16), np.eye(4), "axial", 2.5)


@pytest.mark.parametrize("flips", [(1, 1, 1), (-1, 1, -1), (1, -1, 1)])
@pytest.mark.parametrize("view", ["axial", "coronal", "sagittal"])
def test_a_click_on_projected_metal_gives_its_place(view: str, flips: tuple) -> None:
    affine = affine_of((12, 4, -6), (0.6, 0.6, 1.2)) @ np.diag([*flips, 1])
    voxels = np.zeros((41, 61, 50), dtype=np.int16)
    voxels[30, 12, 40] = 3000
    place = voxel_to_patient([40, 12, 30], affine)
    got = metal_projection(voxels, affine, view)
    bright = np.argwhere(got.pixels == 3000)
    assert len(bright)
    for row, column in bright:
        assert got.place_mm(row, column) == pytest.approx(tuple(place), abs=1e-3)
    # True millimetres: the picture is as tall and wide as the voxels are.
    size = {"axial": (61 * 0.6, 50 * 0.6), "coronal": (41 * 1.2, 50 * 0.6)}.get(
        view, (41 * 1.2, 61 * 0.6)
    )
    assert np.array(got.pixels.shape) * got.spacing_mm == pytest.approx(size, abs=1.3)
    if view == "coronal":
        middle = np.array(got.pixels.shape) / 2
        centre = np.array(scan_middle_mm(voxels, affine))
        assert (bright[0][1] > middle[1]) == (place[0] > centre[0])
        assert (bright[0][0] < middle[0]) == (place[2] > centre[2])


def test_the_scans_span_and_inside() -> None:
    voxels = np.zeros((3, 4, 5), dtype=np.int16)
    least, greatest = volume_span_mm(voxels, np.eye(4))
    assert least.tolist() == [0, 0, 0]
    assert greatest.tolist() == [4, 3, 2]
    assert is_inside_scan(voxels, np.eye(4), (4, 3, 2))
    assert not is_inside_scan(voxels, np.eye(4), (4, 3, 3))


def test_turning_scan_and_screw_together_gives_the_same_sections() -> None:
    affine = affine_of((0, 0, 0), (0.7, 0.7, 1.1))
    voxels = np.random.default_rng(4).integers(-500, 2000, (41, 61, 61)).astype(np.int16)
    axis = ScrewAxis((3, 8, 2), (6, -8, -1))
    plain = sample_sections(voxels, affine, section_frames(axis, [2, 9], Side.LEFT), 4.0, 0.25)
    turn = np.eye(4)
    turn[:3, :3] = Rotation.from_euler("z", 14, degrees=True).as_matrix()
    turned_axis = ScrewAxis(*(tuple(turn[:3, :3] @ end) for end in (axis.entry_mm, axis.tip_mm)))
    frames = section_frames(turned_axis, [2, 9], Side.LEFT, None)
    # Without a midplane medial follows the patient's x axis, so it is turned by hand here.
    whole = section_frames(axis, [2, 9], Side.LEFT)
    frames = [
        type(frame)(
            frame.origin, frame.normal, turn[:3, :3] @ old.medial, turn[:3, :3] @ old.cranial
        )
        for frame, old in zip(frames, whole, strict=True)
    ]
    again = sample_sections(voxels, turn @ affine, frames, 4.0, 0.25)
    assert np.abs(plain.astype(int) - again.astype(int)).max() <= 1
