"""Entry techniques crossed with levels, as counts: too few screws stand in each for a rate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reports.frame import LEVEL_BY_CODE

if TYPE_CHECKING:
    import pandas as pd

    from reports.frame import Event


@dataclass(frozen=True)
class Count:
    """Screws of one cell: placed, graded for the event, and those that have it."""

    placed: int
    graded: int
    breached: int

    def words(self) -> str:
        """Return the cell as it is read: 12: 1 of 10; a dash where nothing was placed."""
        return f"{self.placed}: {self.breached} of {self.graded}" if self.placed else "-"


@dataclass(frozen=True)
class TechniqueLevels:
    """The counts.

    Attributes
    ----------
    techniques : in alphabetical order, the columns
    rows : by level from cranial to caudal, a count a technique
    """

    techniques: tuple[str, ...]
    rows: tuple[tuple[str, tuple[Count, ...]], ...]

    def heading(self) -> tuple[str, ...]:
        """Return the columns' headings."""
        return ("level", *(name.replace("_", " ") for name in self.techniques), "all")

    def lines(self) -> tuple[tuple[str, ...], ...]:
        """Return a line a level, its sum last."""
        return tuple(
            (level, *(count.words() for count in counts), summed(counts).words())
            for level, counts in self.rows
        )


def summed(counts: tuple[Count, ...]) -> Count:
    """Return the sum of counts."""
    return Count(
        sum(count.placed for count in counts),
        sum(count.graded for count in counts),
        sum(count.breached for count in counts),
    )


def technique_levels(screws: pd.DataFrame, event: Event) -> TechniqueLevels:
    """Return the counts of a frame's screws, all of them placed."""
    graded = event.graded(screws).to_numpy(dtype=np.bool_)
    breached = event.breached(screws).to_numpy(dtype=np.bool_)
    levels = screws["level"].to_numpy(dtype=object)
    ways = screws["entry_technique"].to_numpy(dtype=object)
    techniques = tuple(sorted(set(ways)))

    def count(level: str, way: str) -> Count:
        here = (levels == level) & (ways == way)
        return Count(int(here.sum()), int((here & graded).sum()), int((here & breached).sum()))

    there = sorted(set(levels), key=lambda code: LEVEL_BY_CODE[code].order)
    rows = ((level, tuple(count(level, way) for way in techniques)) for level in there)
    return TechniqueLevels(techniques, tuple(rows))
