"""Rules of the trade: they warn and are listed, they refuse nothing."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Literal

from registry.domain.directions import Side
from registry.domain.levels import LEVELS, Region, level
from registry.domain.techniques import COUNTED_LIVES, EntryTechnique, Intention, Life, exists_at

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date, datetime


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
    intended_at: datetime | None = None

    @property
    def key(self) -> str:
        """The screw as a person names it."""
        return f"{self.level} {self.side}" + (f" ({self.number})" if self.number > 1 else "")


@dataclass(frozen=True)
class Warned:
    """A screw or a place of the construct, or '' for the whole case, and what is unusual."""

    screw: str
    text: str


# Outside these a size is asked about at any level: from memory, no source read.
_DIAMETER_MM = (Decimal("3.5"), Decimal(10))
_LENGTH_MM = (Decimal(20), Decimal(60))
_PELVIC_LENGTH_MM = (Decimal(60), Decimal(120))
_FEW_PEOPLE_S = frozenset({"T13", "L6"})


@dataclass(frozen=True)
class _Usual:
    """The sizes that one source finds or advises at some levels."""

    levels: frozenset[str]
    is_cortical: bool | None
    size: Literal["diameter", "length"]
    low: Decimal | None
    high: Decimal
    why: str

    def holds_for(self, screw: ScrewFacts) -> bool:
        """Return whether the row is about this screw."""
        cortical = screw.entry_technique is EntryTechnique.CORTICAL_BONE_TRAJECTORY
        return screw.level in self.levels and self.is_cortical in (None, cortical)


_LUMBAR = frozenset(f"L{number}" for number in range(1, 6))
_MID_THORACIC = frozenset(f"T{number}" for number in range(3, 9))
_CT_BEFORE = "a CT before the operation is advised for a wider one (Christodoulou 2005)"
_PATH = "the mean path to the front of the body"
_CORTICAL_SERIES = "seen on CT for this trajectory (2022)"

# A row is one source's own figure, as its summary gives it; rows are never averaged, because the
# sources measure differently. Levels for which none was readable have no row.
_USUAL = (
    # Christodoulou et al., Clin Anat 18:404, 2005.
    _Usual(_MID_THORACIC, None, "diameter", None, Decimal("5.0"), _CT_BEFORE),
    # Aorta and kyphotic spine, Spine 2012: CT of 58 patients.
    _Usual(frozenset({"T4"}), None, "length", None, Decimal("37.7"), f"{_PATH} (Spine 2012)"),
    _Usual(frozenset({"T12"}), None, "length", None, Decimal("47.2"), f"{_PATH} (Spine 2012)"),
    # Lower lumbar vertebra size and anatomic variation, an anatomo-radiologic study: 95 patients.
    _Usual(frozenset({"L4"}), False, "length", None, Decimal("55.3"), f"{_PATH} (2019)"),
    _Usual(frozenset({"L5"}), False, "length", None, Decimal("51.8"), f"{_PATH} (2019)"),
    # Tomographic parameters of cortical screws, scielo.br pid S0102-36162022000100047.
    _Usual(_LUMBAR, True, "diameter", Decimal("2.3"), Decimal("7.2"), _CORTICAL_SERIES),
    _Usual(_LUMBAR, True, "length", Decimal("19.0"), Decimal("45.0"), _CORTICAL_SERIES),
)


def case_warnings(screws: Sequence[ScrewFacts], imaged_at: datetime | None = None) -> list[Warned]:
    """Return what is unusual about a construct, cranial first.

    Isthmus entry at the top of a construct or beneath an uninstrumented facet joint, a technique
    that does not exist at its level, a side or level left out (common practice, no source); a size
    outside the usual; an intention that was recorded after imaging.

    Parameters
    ----------
    screws : all of the case, whatever became of them
    imaged_at : when the case's images came into the ledger, None without any
    """
    placed = [screw for screw in screws if screw.life in COUNTED_LIVES]
    found = [
        (_order(screw.level), warned)
        for screw in sorted(placed, key=lambda each: (each.side, each.number))
        for warned in _screw_warnings(screw, placed, imaged_at)
    ]
    found += _gaps([screw for screw in screws if screw.life is not Life.REMOVED])
    return [warned for _, warned in sorted(found, key=lambda pair: pair[0])]


def _order(code: str) -> int:
    return level(code).order


def _screw_warnings(
    screw: ScrewFacts, placed: Sequence[ScrewFacts], imaged_at: datetime | None
) -> Iterable[Warned]:
    if not exists_at(screw.entry_technique, screw.level):
        yield Warned(screw.key, f"{screw.entry_technique} entry does not exist at {screw.level}")
    if screw.entry_technique is EntryTechnique.ISTHMUS:
        orders = {_order(other.level) for other in placed}
        own = _order(screw.level)
        if own == min(orders):
            yield Warned(screw.key, "isthmus entry at the top of the construct")
        elif _above(own, orders) not in orders:
            yield Warned(screw.key, "isthmus entry beneath an uninstrumented facet joint")
    yield from _size_warnings(screw)
    if screw.intention is not None and is_late(screw.intended_at, imaged_at):
        yield Warned(
            screw.key,
            f"intention {screw.intention} was recorded after imaging: it does not count as "
            "intended",
        )


def _above(own: int, orders: set[int]) -> int:
    """Return the level above, past a vertebra that few people have unless it has a screw."""
    above = own - 1
    while above > 0 and above not in orders and LEVELS[above].code in _FEW_PEOPLE_S:
        above -= 1
    return above


def is_late(intended_at: datetime | None, imaged_at: datetime | None) -> bool:
    """Return whether an intention was recorded after the case's images were in the ledger."""
    return intended_at is not None and imaged_at is not None and intended_at > imaged_at


def _gaps(there: Sequence[ScrewFacts]) -> Iterable[tuple[int, Warned]]:
    """Return the sides and levels left out between the ends; T13 and L6 are few people's."""
    orders = {_order(screw.level) for screw in there}
    if not orders:
        return
    sides = {screw.side for screw in there}
    places = {(screw.level, screw.side) for screw in there}
    for each in LEVELS[min(orders) : max(orders) + 1]:
        if each.region is Region.PELVIC:
            continue
        missing = [side for side in Side if side in sides and (each.code, side) not in places]
        if each.order not in orders:
            if each.code not in _FEW_PEOPLE_S:
                yield each.order, Warned(each.code, "no screw at this level of the construct")
        else:
            for side in missing:
                yield each.order, Warned(f"{each.code} {side}", "no screw on this side")
    if len(sides) == 1:
        other = Side.LEFT if Side.RIGHT in sides else Side.RIGHT
        yield min(orders), Warned("construct", f"no screw on side {other}")


def _size_warnings(screw: ScrewFacts) -> Iterable[Warned]:
    low, high = _DIAMETER_MM
    if screw.diameter_mm is not None and not low <= screw.diameter_mm <= high:
        yield Warned(screw.key, f"diameter {screw.diameter_mm} mm is outside {low} to {high} mm")
    pelvic = level(screw.level).region is Region.PELVIC
    low, high = _PELVIC_LENGTH_MM if pelvic else _LENGTH_MM
    if screw.length_mm is not None and not low <= screw.length_mm <= high:
        yield Warned(screw.key, f"length {screw.length_mm} mm is outside {low} to {high} mm")
    for usual in _USUAL:
        value = screw.diameter_mm if usual.size == "diameter" else screw.length_mm
        if value is None or not usual.holds_for(screw):
            continue
        told = f"{usual.size} {value} mm at {screw.level}"
        if value > usual.high:
            yield Warned(screw.key, f"{told} is above {usual.high} mm: {usual.why}")
        elif usual.low is not None and value < usual.low:
            yield Warned(screw.key, f"{told} is below {usual.low} mm: {usual.why}")


def scan_warnings(operated_on: date, scanned_on: date) -> list[Warned]:
    """Return what is unusual about a scan's day."""
    if scanned_on < operated_on:
        return [Warned("", f"scan of {scanned_on} is before the operation of {operated_on}")]
    return []
