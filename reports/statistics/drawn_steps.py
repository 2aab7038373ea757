"""Steps of a chart drawn at random, many at once: the same as by searching, and quicker."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_PARTS = 2**15


@dataclass(frozen=True)
class Steps:
    """Steps to draw from, by inversion of their cumulated shares.

    Attributes
    ----------
    values : shape (steps,)
    reached : shape (steps - 1,), the cumulated shares but the last
    first : shape (parts + 1,), where each of so many equal parts of 0 to 1 begins among them: most
        parts lie within one step, which then needs no search
    """

    values: Floats
    reached: Floats
    first: npt.NDArray[np.int64]

    @classmethod
    def of(cls, values: Floats, shares: Floats) -> Steps:
        """Return the steps with their table of parts."""
        reached = np.cumsum(shares)[:-1]
        parts = np.arange(_PARTS + 1) / _PARTS
        return cls(values, reached, np.searchsorted(reached, parts, side="right"))

    def draw(self, rng: np.random.Generator, count: int) -> Floats:
        """Return so many steps."""
        at = rng.random(count)
        part = (at * _PARTS).astype(np.int64)  # exact, as the parts are a power of two
        place = self.first[part]
        unsure = np.flatnonzero(place != self.first[part + 1])
        place[unsure] = np.searchsorted(self.reached, at[unsure], side="right")
        found: Floats = self.values[place]
        return found
