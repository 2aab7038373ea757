"""Which sites of the spine bear screws in each invented case: an exact number over the unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from .practices import PRACTICES, SPINE, Practice

if TYPE_CHECKING:
    from random import Random

Site = tuple[str, str]
"""Level and side."""

PELVIC = "S2 alar-iliac"
_FEWEST_SITES = 4
_HIGHEST_GROWN = SPINE.index("T3")
_PELVIC_SHARE = 0.5


@dataclass
class Construct:
    """The sites of one case to be, cranial first."""

    practice: Practice
    sites: list[Site]
    is_percutaneous: bool

    @property
    def top(self) -> str:
        """The most cranial level."""
        return self.sites[0][0]


def pick(rng: Random, weights: dict[str, float]) -> str:
    """Return one of the words, by weight."""
    return rng.choices(list(weights), list(weights.values()))[0]


def lay_out(rng: Random, screws: int) -> list[Construct]:
    """Return a construct for every case of every practice, with `screws` sites together."""
    made = [_construct(rng, practice) for practice in PRACTICES for _ in range(practice.cases)]
    missing = screws - sum(len(construct.sites) for construct in made)
    while missing:
        missing -= _adjust(rng.choice(made), missing)
    return made


def _construct(rng: Random, practice: Practice) -> Construct:
    upper, lower = pick(rng, practice.constructs).split("-")
    levels = list(SPINE[SPINE.index(upper) : SPINE.index(lower) + 1])
    if len(levels) > 2 and rng.random() < practice.skips_middle:  # noqa: PLR2004 - has a middle
        del levels[len(levels) // 2]
    inner = levels[1:-1]
    sites = [
        (level, side)
        for level in levels
        for side in "LR"
        if level not in inner or rng.random() >= practice.gaps
    ]
    if practice.has_cobb and lower == "S1" and rng.random() < _PELVIC_SHARE:
        sites += [(PELVIC, side) for side in "LR"]
    return Construct(practice, sites, rng.random() < practice.percutaneous)


def _adjust(construct: Construct, missing: int) -> int:
    """Add sites above a construct, or take some off its top; return by how many it has grown."""
    top = construct.top
    if missing < 0:
        first = [site for site in construct.sites if site[0] == top]
        removed = min(len(first), -missing)
        if len(construct.sites) - removed < _FEWEST_SITES:
            return 0
        del construct.sites[:removed]
        return -removed
    if construct.practice.percutaneous or SPINE.index(top) <= _HIGHEST_GROWN:
        return 0
    above = SPINE[SPINE.index(top) - 1]
    added = [(above, side) for side in "LR"][:missing]
    construct.sites[:0] = added
    return len(added)
