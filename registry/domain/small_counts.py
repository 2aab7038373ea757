"""Small numbers of people: which counts are shown, and how the rest is hidden.

Screws are counted in cells that do not overlap, each cell is shown or hidden by itself, and every
sum is of the shown counts alone. So no sum knows more than the cells beside it: whatever a hidden
cell holds, from one patient to seven, the same is shown, and nothing can be found by subtraction.

References
----------
NHS Digital, Disclosure control methodology for Hospital Episode Statistics from September 2018:
counts of 1 to 7 people are shown as *, 0 as 0, others rounded to the nearest 5.
https://digital.nhs.uk/data-and-information/data-tools-and-services/data-services/
hospital-episode-statistics/change-to-disclosure-control-methodology-for-hes-and-ecds-from-september-2018
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable

LEAST_SHOWN = 8
"""Fewer patients than this are hidden."""
ROUNDED_TO = 5

Key = TypeVar("Key", bound="Hashable")


@dataclass(frozen=True)
class Cell(Generic[Key]):
    """One cell: what its screws have in common, and how many; None where it is hidden."""

    key: Key
    screws: int | None


@dataclass(frozen=True)
class Shown:
    """A sum over cells.

    Attributes
    ----------
    screws : sum of the shown counts
    hidden : how many cells are hidden, whose screws are not in the sum
    """

    screws: int
    hidden: int


def cells(screws: Iterable[tuple[Key, Hashable]]) -> list[Cell[Key]]:
    """Return the cells of screws, each given by what it is counted under and its patient.

    Examples
    --------
    >>> cells([("L4", patient) for patient in range(12)] + [("L5", 1), ("L5", 2)])
    [Cell(key='L4', screws=10), Cell(key='L5', screws=None)]
    """
    patients: dict[Key, set[Hashable]] = defaultdict(set)
    counts: dict[Key, int] = defaultdict(int)
    for key, patient in screws:
        patients[key].add(patient)
        counts[key] += 1
    return [
        Cell(key, rounded(counts[key]) if len(patients[key]) >= LEAST_SHOWN else None)
        for key in counts
    ]


def rounded(count: int) -> int:
    """Return a count rounded to the nearest five; fives have no half among whole numbers."""
    return ROUNDED_TO * ((count + ROUNDED_TO // 2) // ROUNDED_TO)


def total(found: Iterable[Cell[Key]]) -> Shown:
    """Return the sum over cells, of what is shown of them alone."""
    known = [cell.screws for cell in found]
    return Shown(sum(count for count in known if count is not None), known.count(None))
