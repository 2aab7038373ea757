"""The smoothest surface through what an image shows."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.special import ndtr

from registry.measure.proposals.surfaces import (
    JUMP_COST,
    STEP_COSTS,
    fall_places,
    filled,
    least_cost,
    passing_cost,
)


def _step(before: int, after: int) -> float:
    apart = abs(after - before)
    return min(STEP_COSTS[apart], JUMP_COST) if apart < len(STEP_COSTS) else JUMP_COST


def _by_trying_all(costs: np.ndarray) -> tuple[int, ...]:
    """Return the cheapest way through, the slow plain way."""

    def total(way: tuple[int, ...]) -> float:
        own = sum(costs[place, number] for place, number in enumerate(way))
        return float(own + sum(itertools.starmap(_step, itertools.pairwise(way))))

    ways = itertools.product(range(costs.shape[1]), repeat=len(costs))
    return min(ways, key=total)


@pytest.mark.parametrize("seed", range(12))
def test_along_one_line_it_is_the_cheapest_of_all_ways(seed: int) -> None:
    costs = np.random.default_rng(seed).random((6, 6)).astype(np.float32)
    # A grid of one column: its sweeps across add the same to every number.
    found = least_cost(costs[:, None, :])[:, 0]
    assert tuple(found) == _by_trying_all(costs)


def test_a_sheet_is_carried_through_a_hole_by_what_lies_around_it() -> None:
    a, b = np.meshgrid(np.arange(30), np.arange(30), indexing="ij")
    true = 12.0 + 4.0 * np.sin(a / 9.0) + 0.15 * b
    numbers = np.arange(30)
    cost = np.minimum(np.abs(numbers - true[..., None]), 1.0).astype(np.float32)
    cost += np.random.default_rng(3).normal(0.0, 0.15, cost.shape).astype(np.float32)
    cost[11:18, 12:20] = 0.55
    found = least_cost(cost)
    assert np.abs(found - true).max() <= 1.6
    assert np.abs(found - true)[11:18, 12:20].mean() <= 0.8


def test_a_closed_surface_meets_itself() -> None:
    turns = np.linspace(0.0, 2.0 * np.pi, 48, endpoint=False)
    true = 15.0 + 6.0 * np.cos(turns)
    cost = np.minimum(np.abs(np.arange(32) - true[:, None]), 1.0).astype(np.float32)[None]
    cost[0, :6] = 0.5  # nothing is seen at the seam's far side
    found = least_cost(cost, is_closed=(False, True))[0]
    assert abs(int(found[0]) - int(found[-1])) <= 1
    assert np.abs(found - true)[6:].max() <= 1.0
    assert np.abs(found - true)[:6].max() <= 2.0


@pytest.mark.parametrize("blur_mm", [0.3, 0.6])
def test_the_outside_of_a_thick_cortex_is_where_half_of_its_brightness_is_left(
    blur_mm: float,
) -> None:
    """A wide edge under a Gaussian blur has half its height at the edge: analysis, no source."""
    outwards = np.arange(1.0, 15.01, 0.25)
    edge = 6.37
    profile = 60.0 + 900.0 * ndtr((edge - outwards) / blur_mm) * ndtr((outwards - 3.0) / blur_mm)
    number = np.array([[round((edge - 1.0) / 0.25)]])
    found = fall_places(profile.astype(np.float32)[None, None], number, 0.25, 1.0)
    assert float(found[0, 0]) == pytest.approx(edge, abs=0.03)


def test_what_is_hidden_adds_nothing_to_what_is_seen() -> None:
    values = np.full((1, 20, 20), 100.0, dtype=np.float32)
    hidden = np.zeros(values.shape, dtype=bool)
    hidden[:, 8:12, 8:12] = True
    values[hidden] = 30000.0
    assert filled(values, hidden, (0.0, 1.0, 1.0))[~hidden] == pytest.approx(100.0, abs=1e-3)


def test_looking_beyond_a_well_seen_place_costs_and_up_to_it_does_not() -> None:
    evidence = np.zeros((5, 5, 20), dtype=np.float32)
    evidence[..., 8] = 0.9
    cost = passing_cost(evidence, 0.5)
    assert not cost[..., :10].any()
    assert (cost[..., 10:] > 0.3).all()
