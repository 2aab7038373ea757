"""The closed curve of the outer cortex."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import KDTree

from registry.domain.problems import BadInputError
from registry.measure.cortex import ClosedCurve, between, fit_curve


def superellipse(
    angles: np.ndarray, a: float, b: float, power: float = 2.0, turn: float = 0.0
) -> np.ndarray:
    c, s = np.cos(angles), np.sin(angles)
    radius = (np.abs(c / a) ** power + np.abs(s / b) ** power) ** (-1.0 / power)
    points = radius[:, None] * np.column_stack([c, s])
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return points @ rotation.T


def around(count: int, start: float = 0.0, arc: float = 2 * np.pi) -> np.ndarray:
    return start + np.arange(count) / count * arc


semi_axes = st.floats(3.5, 9.0)
turns = st.floats(0.0, np.pi)


@settings(max_examples=40)
@given(a=semi_axes, b=semi_axes, turn=turns, u=st.floats(-5, 5), v=st.floats(-5, 5))
def test_an_ellipses_dense_points_give_back_its_area(
    a: float, b: float, turn: float, u: float, v: float
) -> None:
    curve = fit_curve(superellipse(around(72), a, b, turn=turn) + np.array([u, v]))
    assert curve.area_mm2 == pytest.approx(np.pi * a * b, rel=0.005)
    assert curve.centre == pytest.approx([u, v], abs=0.01)
    assert curve.residual_mm < 0.01
    # The polygon's own steps.
    steps = np.hypot(*np.diff(curve.points, axis=0).T)
    assert steps.max() <= 0.05


@settings(max_examples=20)
@given(data=st.data(), seed=st.integers(0, 10_000))
def test_the_order_of_marking_never_matters(data, seed: int) -> None:
    rng = np.random.default_rng(seed)
    marks = superellipse(around(14), 5.0, 7.0) + rng.normal(0, 0.2, (14, 2))
    order = data.draw(st.permutations(range(14)))
    first, second = fit_curve(marks), fit_curve(marks[order])
    assert np.array_equal(first.radii, second.radii)
    assert np.array_equal(first.sd_mm, second.sd_mm)


def test_the_curve_passes_near_marks_of_a_bean_and_a_drop() -> None:
    angles = around(24)
    for radius in (
        5.0 + 1.2 * np.cos(angles) + 0.6 * np.cos(2 * angles) + 0.5 * np.sin(3 * angles),
        4.5 + 0.9 * np.cos(3 * angles),
    ):
        marks = radius[:, None] * np.column_stack([np.cos(angles), np.sin(angles)])
        curve = fit_curve(marks)
        near, _ = curve.nearest_points(marks)
        assert np.hypot(*(near - marks).T).max() < 0.35
        assert curve.residual_mm < 0.2


HIDDEN_DEG = 80.0


@pytest.mark.parametrize("power", [2.0, 2.5, 3.0], ids=["ellipse", "fuller", "boxy"])
def test_a_hidden_arc_of_eighty_degrees_is_carried_through(power: float) -> None:
    """Widths and heights of 8 to 14 mm, marks with 0.15 mm noise, on all but the hidden arc."""
    rng = np.random.default_rng(20)
    hidden = np.deg2rad(HIDDEN_DEG)
    errors, shares = [], []
    for _ in range(60):
        a, b = rng.uniform(4.0, 7.0, 2)
        start, turn = rng.uniform(0, 2 * np.pi, 2)
        count = int(rng.integers(10, 20))
        seen = start + hidden + np.arange(count) / (count - 1) * (2 * np.pi - hidden)
        curve = fit_curve(superellipse(seen, a, b, power, turn) + rng.normal(0.0, 0.15, (count, 2)))
        truth = superellipse(start + np.linspace(0, hidden, 41), a, b, power, turn)
        near, numbers = curve.nearest_points(truth)
        off = np.hypot(*(near - truth).T)
        errors.append(off.mean())
        shares.append(off / curve.sd_mm[numbers])
    # Seen: 0.18 (ellipse), 0.19 (fuller), 0.22 mm (boxy).
    assert np.mean(errors) < 0.3
    assert np.quantile(errors, 0.9) < 0.5
    # The fit's own standard deviation covers what it does not see.
    assert 0.25 < np.sqrt(np.mean(np.concatenate(shares) ** 2)) < 1.2


def test_the_curves_own_uncertainty_grows_in_the_gap() -> None:
    angles = np.deg2rad(np.arange(50, 320, 18.0))
    curve = fit_curve(superellipse(angles, 5.0, 6.5))
    opposite = len(curve.sd_mm) // 2
    assert curve.sd_mm[0] > 2 * curve.sd_mm[opposite]
    assert curve.from_mark_deg[0] > 35.0
    assert curve.from_mark_deg[opposite] < 10.0


@settings(max_examples=25)
@given(a=semi_axes, b=semi_axes, seed=st.integers(0, 10_000))
def test_the_nearest_point_is_the_one_that_a_search_of_all_points_finds(
    a: float, b: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    curve = fit_curve(superellipse(around(16), a, b, 2.4) + rng.normal(0, 0.2, (16, 2)))
    wanted = rng.uniform(-14, 14, (200, 2))
    closed = np.vstack([curve.points, curve.points[:1]])
    shares = np.linspace(0, 1, 20, endpoint=False)[None, :, None]
    dense = (closed[:-1, None] * (1 - shares) + closed[1:, None] * shares).reshape(-1, 2)
    slow, _ = KDTree(dense).query(wanted)
    near, _ = curve.nearest_points(wanted)
    quick = np.hypot(*(near - wanted).T)
    is_outside = ~curve.contains(wanted)
    assert quick[is_outside] == pytest.approx(slow[is_outside], abs=0.005)
    # Deep inside, where two arcs are as near as each other, the other one may be taken.
    assert quick == pytest.approx(slow, abs=0.05)


@settings(max_examples=25)
@given(a=semi_axes, b=semi_axes, turn=turns, seed=st.integers(0, 10_000))
def test_inside_is_what_the_ellipses_equation_says(
    a: float, b: float, turn: float, seed: int
) -> None:
    curve = fit_curve(superellipse(around(40), a, b, turn=turn))
    points = np.random.default_rng(seed).uniform(-10, 10, (300, 2))
    c, s = np.cos(turn), np.sin(turn)
    x, y = points @ np.array([[c, -s], [s, c]])[:, 0], points @ np.array([[c, -s], [s, c]])[:, 1]
    level = np.hypot(x / a, y / b)
    clear = np.abs(level - 1.0) > 0.005
    assert np.array_equal(curve.contains(points)[clear], (level <= 1.0)[clear])


def test_half_way_between_two_circles_lies_the_circle_between() -> None:
    small = fit_curve(superellipse(around(20), 4.0, 4.0))
    large = fit_curve(superellipse(around(20), 6.0, 6.0) + np.array([1.0, -2.0]))
    middle = between(small, large, 0.5)
    assert middle.centre == pytest.approx([0.5, -1.0], abs=1e-6)
    assert middle.area_mm2 == pytest.approx(np.pi * 25.0, rel=1e-4)


def test_points_for_drawing_are_as_close_as_asked() -> None:
    curve = ClosedCurve.fit(superellipse(around(12), 5.0, 7.0))
    for step in (0.1, 0.5):
        drawn = curve.sampled(step)
        assert np.hypot(*(np.roll(drawn, -1, axis=0) - drawn).T).max() <= step
    assert len(curve.sampled(0.5)) < 200


@pytest.mark.parametrize(
    ("marks", "words"),
    [
        (superellipse(around(4), 5, 5), "4 different marks"),
        (np.repeat(superellipse(around(4), 5, 5), 3, axis=0), "4 different marks"),
        (np.column_stack([np.linspace(-5, 5, 8), np.zeros(8)]), "one line"),
        (superellipse(around(8), 0.5, 0.5), "in one place"),
        (superellipse(around(9, 0.2, 2.6), 5, 6), "without a mark"),
        (np.array([[np.nan, 1.0]] * 6), "no finite place"),
        (np.vstack([superellipse(around(14), 6, 6), [[2.0, 0.5]]]), "2.0 mm medial"),
    ],
    ids=["few", "repeated", "line", "spot", "half", "nan", "stray"],
)
def test_marks_that_make_no_outline_are_refused_in_words(marks: np.ndarray, words: str) -> None:
    with pytest.raises(BadInputError, match=words):
        fit_curve(marks)
