"""How long a sequential chart runs to its limit, and the limit for a run length asked for.

Screws of one operation share a patient, so their events come together: a limit that is set screw by
screw gives up to ninefold false alarms. So the chart moves on by whole operations, and its limit is
found by simulating whole operations of the same sizes and risks, whose events are beta-binomial
with the unit's correlation. A Markov chain over the same steps is the check.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import special
from scipy.sparse import coo_array, eye_array
from scipy.sparse.linalg import spsolve

from reports.statistics.drawn_steps import Steps
from reports.statistics.sequential import scores

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

IN_CONTROL_SCREWS = 5000.0
"""Screws from one false signal to the next that a limit is set for: ours, no source. A surgeon
with 300 screws a year has one in about 17 years."""
SEED = 20_260_731
CHAINS = 4000
_LEAST_CHAINS, _STEPS_IN_ALL = 1000, 8_000_000
_HORIZON = 2.0
"""Simulated up to so many times the run length asked for; run lengths are close to geometric, so
chains that have not signalled by then are counted by their time at risk."""
_LONGEST_DELAY = 20_000


@dataclass(frozen=True)
class Operations:
    """The operations that a chart is made for; each entry stands for `counts` alike ones.

    Attributes
    ----------
    sizes : graded screws, at least 1
    expected : sums of expected events, above 0 and below the size
    costs : sums of log(1 - e + R e) over the screws, of either sign
    counts : how many, at least 1
    odds_ratio : R
    """

    sizes: tuple[int, ...]
    expected: tuple[float, ...]
    costs: tuple[float, ...]
    counts: tuple[int, ...]
    odds_ratio: float

    @property
    def mean_size(self) -> float:
        """Return the graded screws of an average operation."""
        return float(np.dot(self.sizes, self.counts) / np.sum(self.counts))


@dataclass(frozen=True)
class RunLimit:
    """A sequential chart's limit and what it promises.

    Attributes
    ----------
    limit : a chart at or above it signals
    in_control_operations, in_control_screws : mean run to a false signal
    changed_operations, changed_screws : mean run to a signal once the odds have changed as
        looked for, from the chart at 0
    chains : simulated runs
    seed : of the simulation
    """

    limit: float
    in_control_operations: float
    in_control_screws: float
    changed_operations: float
    changed_screws: float
    chains: int
    seed: int


def operations(expected: Floats, operation: npt.NDArray[np.int64], odds_ratio: float) -> Operations:
    """Return the operations of a run of graded screws, alike ones together.

    Parameters
    ----------
    expected : proportions, one a screw
    operation : whole numbers, the operation of each
    odds_ratio : R

    Returns
    -------
    Operations

    Examples
    --------
    >>> found = operations(np.full(5, 0.1), np.array([1, 1, 2, 2, 3]), 2.0)
    >>> found.sizes, found.counts, [round(each, 2) for each in found.expected]
    ((1, 2), (1, 2), [0.1, 0.2])
    """
    without, _ = scores(expected, odds_ratio)
    _, place = np.unique(operation, return_inverse=True)
    table = np.column_stack(
        [
            np.bincount(place),
            np.bincount(place, weights=expected).round(9),
            -np.bincount(place, weights=without).round(9),
        ]
    )
    rows, counts = np.unique(table, axis=0, return_counts=True)
    return Operations(
        sizes=tuple(int(each) for each in rows[:, 0]),
        expected=tuple(float(each) for each in rows[:, 1]),
        costs=tuple(float(each) for each in rows[:, 2]),
        counts=tuple(int(each) for each in counts),
        odds_ratio=odds_ratio,
    )


def steps(made: Operations, rho: float, true_ratio: float = 1.0) -> tuple[Floats, Floats]:
    """Return the values that a chart's step can take, and their probabilities.

    An operation of m screws has y events with a beta-binomial distribution of its mean expected
    proportion and the correlation, and moves the chart by y log R - the sum of log(1 - e + R e).

    Parameters
    ----------
    made : the operations
    rho : correlation of the screws of one operation, 0 to below 1
    true_ratio : by which the odds really differ from those expected; 1 in control

    Returns
    -------
    tuple of arrays : values; probabilities, their sum 1
    """
    weights = np.asarray(made.counts, dtype=np.float64) / np.sum(made.counts)
    values, shares = [], []
    for size, expected, cost, weight in zip(
        made.sizes, made.expected, made.costs, weights, strict=True
    ):
        count = np.arange(size + 1)
        values.append(count * math.log(made.odds_ratio) - cost)
        shares.append(weight * _event_shares(size, _changed(expected / size, true_ratio), rho))
    return np.concatenate(values), np.concatenate(shares)


def _changed(rate: float, ratio: float) -> float:
    return ratio * rate / (1 - rate + ratio * rate)


def _event_shares(size: int, rate: float, rho: float) -> Floats:
    """Return the beta-binomial probabilities of 0 to `size` events; binomial where rho is 0."""
    count = np.arange(size + 1)
    choose = special.gammaln(size + 1) - special.gammaln(count + 1)
    choose = choose - special.gammaln(size - count + 1)
    if rho <= 0:
        logs = choose + special.xlogy(count, rate) + special.xlog1py(size - count, -rate)
    else:
        a, b = rate * (1 - rho) / rho, (1 - rate) * (1 - rho) / rho
        logs = choose + special.betaln(count + a, size - count + b) - special.betaln(a, b)
    shares = np.exp(logs)
    whole: Floats = shares / shares.sum()
    return whole


def markov_run_length(values: Floats, shares: Floats, limit: float, states: int = 1000) -> float:
    """Return the mean number of steps to a limit from 0, by a Markov chain.

    States of width limit/(states - 1/2), the first about 0; each step's mass is split over the two
    neighbouring states in proportion to their nearness.

    Parameters
    ----------
    values, shares : of a step; the shares' sum is 1
    limit : above 0
    states : at least 2

    Returns
    -------
    float

    References
    ----------
    Brook D, Evans DA. An approach to the probability distribution of CUSUM run length.
    Biometrika 1972;59:539-549 (from memory).
    """
    width = limit / (states - 0.5)
    places, at, weights = [], [], []
    for value, share in zip(values, shares, strict=True):
        target = np.maximum(0.0, np.arange(states) + value / width)
        lower = np.floor(target).astype(np.int64)
        part = target - lower
        for state, mass in ((lower, 1 - part), (lower + 1, part)):
            stays = (state < states) & (mass > 0)
            places.append(np.flatnonzero(stays))
            at.append(state[stays])
            weights.append(share * mass[stays])
    chain = coo_array(
        (np.concatenate(weights), (np.concatenate(places), np.concatenate(at))),
        shape=(states, states),
    )
    lengths = spsolve((eye_array(states) - chain).tocsc(), np.ones(states))
    return float(np.asarray(lengths)[0])


@lru_cache(maxsize=128)
def simulated_limit(
    made: Operations, rho: float, in_control_screws: float = IN_CONTROL_SCREWS, seed: int = SEED
) -> RunLimit:
    """Return the limit with a mean run to a false signal of so many screws, and its delay.

    Whole operations are drawn with replacement from those given. The same arguments always give
    the same limit, rounded up to a hundredth.

    Parameters
    ----------
    made : the operations, in control
    rho : correlation of the screws of one operation, 0 to below 1
    in_control_screws : the mean run asked for
    seed : of the simulation

    Returns
    -------
    RunLimit : the run lengths are those of the rounded limit
    """
    rng = np.random.default_rng(seed)
    mean_size = made.mean_size
    horizon = math.ceil(_HORIZON * in_control_screws / mean_size)
    chains = int(np.clip(_STEPS_IN_ALL // horizon, _LEAST_CHAINS, CHAINS))
    records = _records(*steps(made, rho), chains, horizon, rng)
    wanted = in_control_screws / mean_size
    low, high = 0, math.ceil(100 * records.levels.max(initial=0.0)) + 1
    while high - low > 1:
        middle = (low + high) // 2
        if records.mean_run(middle / 100) >= wanted:
            high = middle
        else:
            low = middle
    limit = high / 100
    in_control = records.mean_run(limit)
    changed = _mean_delay(steps(made, rho, made.odds_ratio), limit, chains, rng)
    return RunLimit(
        limit=limit,
        in_control_operations=in_control,
        in_control_screws=in_control * mean_size,
        changed_operations=changed,
        changed_screws=changed * mean_size,
        chains=chains,
        seed=seed,
    )


@dataclass(frozen=True)
class _Records:
    """Each chain's new heights, in the order of time.

    Attributes
    ----------
    chain, times, levels : shape (records,); times from 1
    chains, horizon : how many, and up to which step
    """

    chain: npt.NDArray[np.int64]
    times: npt.NDArray[np.int64]
    levels: Floats
    chains: int
    horizon: int

    def mean_run(self, limit: float) -> float:
        """Return the time at risk of all chains divided by the signals."""
        beyond = self.levels >= limit
        _, first = np.unique(self.chain[beyond], return_index=True)
        runs = self.times[beyond][first]
        if not len(runs):
            return math.inf
        at_risk = runs.sum() + (self.chains - len(runs)) * self.horizon
        return float(at_risk / len(runs))


def _records(
    values: Floats, shares: Floats, chains: int, horizon: int, rng: np.random.Generator
) -> _Records:
    """Return the new heights of simulated charts."""
    drawn = Steps.of(values, shares)
    level, highest = np.zeros(chains), np.zeros(chains)
    found: list[tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Floats]] = []
    for time in range(1, horizon + 1):
        level += drawn.draw(rng, chains)
        np.maximum(level, 0.0, out=level)
        new = np.flatnonzero(level > highest)
        highest[new] = level[new]
        found.append((new, np.full(len(new), time), level[new]))
    chain, times, levels = (np.concatenate(each) for each in zip(*found, strict=True))
    return _Records(chain, times, levels, chains, horizon)


def _mean_delay(
    stepping: tuple[Floats, Floats], limit: float, chains: int, rng: np.random.Generator
) -> float:
    """Return the mean number of steps to the limit, all chains followed to their signal."""
    drawn = Steps.of(*stepping)
    level = np.zeros(chains)
    at_risk = signalled = 0
    for _ in range(_LONGEST_DELAY):
        at_risk += len(level)
        level += drawn.draw(rng, len(level))
        np.maximum(level, 0.0, out=level)
        left = level[level < limit]
        signalled += len(level) - len(left)
        level = left
        if not len(level):
            break
    return at_risk / signalled if signalled else math.inf
