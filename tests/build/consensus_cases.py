"""The table of what two and three readings come to, read from the page that people read."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

from registry.domain.directions import BODY_WALLS, PEDICLE_WALLS, Direction
from registry.domain.levels import level
from registry.domain.readings import ReadingFacts, ReadingRole

TABLE = Path(__file__).parents[1] / "domain" / "consensus_cases.md"
_NONE = "-"


@dataclass(frozen=True)
class Said:
    """What one cell says of a reading, or of what counts."""

    is_assessable: bool
    extents_mm: dict[Direction, Decimal | None]
    bearing_deg: Decimal | None


@dataclass(frozen=True)
class ConsensusCase:
    """One line; `readings` holds each role's, in the order in which one replaced the other."""

    name: str
    level: str
    readings: dict[ReadingRole, list[Said]]
    second_asked_for: str
    counts: Said
    grade: str | None
    state: str
    is_provisional: bool
    why: str

    @property
    def second_is_owed(self) -> bool:
        return self.second_asked_for == "yes" and ReadingRole.SECOND not in self.readings

    def current(self) -> list[ReadingFacts]:
        """Return the readings that nothing replaced, numbered by role."""
        return [
            ReadingFacts(
                number,
                role,
                said[-1].is_assessable,
                said[-1].extents_mm,
                said[-1].bearing_deg,
            )
            for number, (role, said) in enumerate(self.readings.items(), start=1)
        ]


def consensus_cases() -> list[ConsensusCase]:
    """Return every line of the table."""
    lines = [line for line in TABLE.read_text(encoding="utf-8").splitlines() if line[:1] == "|"]
    names, _, *rows = ([cell.strip() for cell in line.strip("|").split("|")] for line in lines)
    return [_case(dict(zip(names, row, strict=True))) for row in rows]


def _case(cells: dict[str, str]) -> ConsensusCase:
    at = cells["level"]
    readings = {
        role: [_said(part, at) for part in cells[role.value].split(" then ")]
        for role in ReadingRole
        if cells[role.value] != _NONE
    }
    return ConsensusCase(
        name=cells["case"],
        level=at,
        readings=readings,
        second_asked_for=cells["second asked for"],
        counts=_said(cells["what counts"], at),
        grade=None if cells["grade"] == "none" else cells["grade"],
        state=cells["state"],
        is_provisional={"yes": True, "no": False}[cells["provisional"]],
        why=cells["why"],
    )


def _said(text: str, at: str) -> Said:
    if text == "not assessable":
        return Said(is_assessable=False, extents_mm=dict.fromkeys(Direction), bearing_deg=None)
    said, _, bearing = text.partition(" at ")
    extents: dict[Direction, Decimal | None] = dict.fromkeys((*PEDICLE_WALLS, *BODY_WALLS))
    extents |= dict.fromkeys(level(at).needed_walls, Decimal("0.0"))
    for part in said.split(", "):
        if part == "contained":
            continue
        name, _, value = part.rpartition(" ")
        extents[Direction(name)] = None if value == "empty" else Decimal(value)
    return Said(
        is_assessable=True,
        extents_mm=extents,
        bearing_deg=Decimal(bearing) if bearing else None,
    )
