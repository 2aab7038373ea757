"""Rules of the trade: they warn and are listed, they refuse nothing."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from registry.domain.levels import Region, level
from registry.domain.techniques import COUNTED_LIVES, EntryTechnique, Intention, Life, exists_at

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date


@dataclass(frozen=True)
class ScrewFacts:
    """What the rules look at."""

    level: str
    side: str
    number: int
    entry_technique: EntryTechnique
    life: Life = Life.PLACED
    diameter_mm: Decimal | None = None
    length_mm: Decimal | None = None
    intention: Intention | None = None

    @property
    def key(self) -> str:
        """The screw as a person names it."""
        return f"{self.level} {self.side}" + (f" ({self.number})" if self.number > 1 else "")


@dataclass(frozen=True)
class Warned:
    """A screw, or '' for the whole case, and what is unusual about it."""

    screw: str
    text: str


# Outside these a size is asked about: limits for entry checks, from memory, no source read.
_DIAMETER_MM = (Decimal("3.5"), Decimal(10))
_LENGTH_MM = (Decimal(20), Decimal(60))
_PELVIC_LENGTH_MM = (Decimal(60), Decimal(120))


def case_warnings(screws: Sequence[ScrewFacts]) -> list[Warned]:
    """Return what is unusual about a construct, cranial first.

    Isthmus entry at the top of a construct or beneath an uninstrumented facet joint, a technique
    that does not exist at its level, a size outside the usual (common practice, no source).
    """
    placed = [screw for screw in screws if screw.life in COUNTED_LIVES]
    ordered = sorted(placed, key=lambda screw: (level(screw.level).order, screw.side, screw.number))
    return [warned for screw in ordered for warned in _screw_warnings(screw, placed)]


def _screw_warnings(screw: ScrewFacts, placed: Sequence[ScrewFacts]) -> Iterable[Warned]:
    if not exists_at(screw.entry_technique, screw.level):
        yield Warned(screw.key, f"{screw.entry_technique} entry does not exist at {screw.level}")
    if screw.entry_technique is EntryTechnique.ISTHMUS:
        orders = {level(other.level).order for other in placed}
        own = level(screw.level).order
        if own == min(orders):
            yield Warned(screw.key, "isthmus entry at the top of the construct")
        elif own - 1 not in orders:
            yield Warned(screw.key, "isthmus entry beneath an uninstrumented facet joint")
    yield from _size_warnings(screw)


def _size_warnings(screw: ScrewFacts) -> Iterable[Warned]:
    low, high = _DIAMETER_MM
    if screw.diameter_mm is not None and not low <= screw.diameter_mm <= high:
        yield Warned(screw.key, f"diameter {screw.diameter_mm} mm is outside {low} to {high} mm")
    pelvic = level(screw.level).region is Region.PELVIC
    low, high = _PELVIC_LENGTH_MM if pelvic else _LENGTH_MM
    if screw.length_mm is not None and not low <= screw.length_mm <= high:
        yield Warned(screw.key, f"length {screw.length_mm} mm is outside {low} to {high} mm")


def scan_warnings(operated_on: date, scanned_on: date) -> list[Warned]:
    """Return what is unusual about a scan's day."""
    if scanned_on < operated_on:
        return [Warned("", f"scan of {scanned_on} is before the operation of {operated_on}")]
    return []
