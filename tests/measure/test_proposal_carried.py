"""Walls carried through what metal hides: tubes whose whole course is known by construction."""

from __future__ import annotations

import numpy as np

from registry.domain.directions import Side
from registry.measure.axes import Midplane, ScrewAxis, section_frame
from registry.measure.proposals.carried import Like, fit_tube
from registry.measure.proposals.likes import opposite
from registry.measure.proposals.measuring import Look, Shank
from registry.measure.proposals.pedicle import SeenCortex

DEPTHS = np.arange(8.0, 21.0)
SLOPE = (0.12, -0.05)
MIDDLE_MM = 14.0


def _tube(
    wide_mm: float = 4.5, high_mm: float = 7.0, power: float = 2.4, bulge: float = 0.0
) -> np.ndarray:
    """Return a tube that is narrowest at 14 mm: superellipses, (depths, 64, 2).

    bulge : by how much wider it is medially, or where negative laterally
    """
    turns = np.linspace(0.0, 2.0 * np.pi, 64, endpoint=False)
    cos, sin = np.cos(turns), np.sin(turns)
    radius = (np.abs(cos) ** power + np.abs(sin) ** power) ** (-1.0 / power)
    radius = radius * (1.0 + abs(bulge) * np.maximum(0.0, np.sign(bulge) * cos) ** 2)
    outline = radius[:, None] * np.column_stack([wide_mm * cos, high_mm * sin])
    away = (DEPTHS - MIDDLE_MM)[:, None, None]
    return outline * (1.0 + 0.006 * away**2) + away * np.asarray(SLOPE)


def _listed(tube: np.ndarray, chosen: np.ndarray | None = None) -> np.ndarray:
    depths = np.broadcast_to(DEPTHS[:, None], tube.shape[:2])
    kept = np.ones(tube.shape[:2], dtype=bool) if chosen is None else chosen
    return np.column_stack([depths[kept], tube[kept]])


def _hidden_by_metal(tube: np.ndarray, at: tuple[float, float], reach_mm: float) -> np.ndarray:
    return np.hypot(*(tube - np.asarray(at)).transpose(2, 0, 1)) < reach_mm


def _errors_mm(found, tube: np.ndarray, hidden: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return how far the true hidden places lie from the tube, and the tube's sds there."""
    errors, sds = [], []
    for depth, outline, is_hidden in zip(DEPTHS, tube, hidden, strict=True):
        places, sd = found.places(float(depth), 512)
        apart = np.hypot(*(outline[is_hidden][:, None] - places).transpose(2, 0, 1))
        errors.append(apart.min(axis=1))
        sds.append(sd[apart.argmin(axis=1)])
    return np.concatenate(errors), np.concatenate(sds)


def test_a_hidden_quarter_is_carried_through_from_what_is_seen_in_all_sections() -> None:
    tube = _tube()
    hidden = _hidden_by_metal(tube, (4.0, 0.0), 5.0)
    assert 0.2 < hidden.mean() < 0.35
    found = fit_tube(_listed(tube, ~hidden), (), SLOPE)
    errors, sds = _errors_mm(found, tube, hidden)
    assert errors.mean() < 0.4
    assert np.mean(errors <= 2.0 * np.hypot(sds, 0.35)) >= 0.95


def test_opposite_pedicles_that_differ_as_two_sides_do_tell_where_half_hidden_walls_run() -> None:
    """Widths differ by a standard deviation of 0.3 mm, places by 0.4 mm, drawn by lot."""
    lot = np.random.default_rng(3)
    alone, together = [], []
    for _ in range(12):
        bulge, wide, high = lot.uniform(-0.35, 0.35), lot.uniform(3.5, 5.5), lot.uniform(6.0, 8.0)
        tube = _tube(wide, high, bulge=bulge)
        at = (lot.choice([-0.9, 0.9]) * wide, lot.uniform(-2.0, 2.0))
        hidden = _hidden_by_metal(tube, at, wide + 3.0)
        across, up = lot.normal(0.0, 0.3, 2)
        other = _tube(wide + across / 2.0, high + up / 2.0, bulge=bulge) + lot.normal(0.0, 0.4, 2)
        seen = _listed(tube, ~hidden)
        for likes, errors in (((), alone), ([Like(_listed(other), 0.8, 0.4)], together)):
            errors.append(_errors_mm(fit_tube(seen, likes, SLOPE), tube, hidden)[0].mean())
    assert np.mean(together) < 0.25
    assert np.mean(together) < 0.7 * np.mean(alone)


def test_a_wall_that_nothing_tells_of_is_less_sure_than_one_that_is_seen() -> None:
    tube = _tube()
    hidden = _hidden_by_metal(tube, (4.0, 0.0), 6.0)
    found = fit_tube(_listed(tube, ~hidden), (), SLOPE)
    _, there = _errors_mm(found, tube, hidden)
    _, elsewhere = _errors_mm(found, tube, ~hidden)
    assert np.median(there) > 2.0 * np.median(elsewhere)


def test_a_few_places_on_another_bone_hardly_move_the_tube() -> None:
    tube = _tube()
    strays = np.column_stack([DEPTHS, np.full((len(DEPTHS), 2), 7.5)])
    found = fit_tube(np.concatenate([_listed(tube), strays]), (), SLOPE)
    errors, _ = _errors_mm(found, tube, np.ones(tube.shape[:2], dtype=bool))
    assert errors.max() < 0.6


def _look(
    side: Side, axis: ScrewAxis, midplane: Midplane | None, depths: np.ndarray, tube: np.ndarray
) -> Look:
    shown = np.ones(tube.shape[:2], dtype=bool)
    none = np.zeros(len(depths), dtype=bool)
    seen = SeenCortex(depths, tube, shown, ~shown, none, SLOPE)
    return Look(Shank(axis, side, 6.0), midplane, None, seen)  # type: ignore[arg-type]


def test_turned_over_the_midplane_the_two_sides_of_a_symmetric_vertebra_are_one() -> None:
    """Two screws at different angles on a tilted midplane see one shape and its mirror image."""
    normal = np.array([0.96, 0.2, 0.1])
    normal /= np.linalg.norm(normal)
    midplane = Midplane((3.0, 10.0, -20.0), tuple(normal))
    left = ScrewAxis((22.0, 40.0, -18.0), (12.0, 2.0, -20.0))
    right = ScrewAxis((-15.0, 52.0, -16.0), (-9.0, 9.0, -14.0))
    cloud = _listed(_tube())
    frames = {
        side: section_frame(axis, 0.0, side, midplane)
        for side, axis in ((Side.LEFT, left), (Side.RIGHT, right))
    }

    def lps(side: Side, places: np.ndarray) -> np.ndarray:
        frame = frames[side]
        return frame.origin + places @ np.stack([frame.normal, frame.medial, frame.cranial])

    own = lps(Side.LEFT, cloud)
    away = (own - np.asarray(midplane.point_mm)) @ normal
    mirrored = own - 2.0 * away[:, None] * normal
    frame = frames[Side.RIGHT]
    offset = mirrored - frame.origin
    tube = np.column_stack([offset @ frame.medial, offset @ frame.cranial])
    # The mirror image's places lie each at a depth of its own along the other screw.
    other = _look(Side.RIGHT, right, midplane, offset @ frame.normal, tube[:, None])
    found = opposite(_look(Side.LEFT, left, midplane, DEPTHS, _tube()), other)
    assert found is not None
    np.testing.assert_allclose(found.places_mm, cloud, atol=1e-9)


def test_without_a_midplane_or_an_opposite_pedicle_nothing_is_turned_over() -> None:
    axis = ScrewAxis((22.0, 40.0, -18.0), (12.0, 2.0, -20.0))
    midplane = Midplane((0.0, 0.0, 0.0), (1.0, 0.0, 0.0))
    seen = _look(Side.LEFT, axis, None, DEPTHS, _tube())
    unseen = Look(seen.shank, midplane, seen.straight, None, "hidden")
    assert opposite(seen, seen) is None
    assert opposite(_look(Side.LEFT, axis, midplane, DEPTHS, _tube()), unseen) is None
    assert opposite(unseen, seen) is None
