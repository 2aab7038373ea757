"""Published grading scales; a grade is derived from extents, never typed.

A new scale is one entry in `SCALES`.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType
from typing import TYPE_CHECKING

from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.levels import LEVELS, Level, Region, level

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


@dataclass(frozen=True)
class Scale:
    """One published scale.

    Attributes
    ----------
    name : str, as settings and commands spell it
    title : str, as pages show it
    grades : the grades from best to worst
    acceptable : the grades that the source calls acceptable
    grade_of : extents in the four pedicle walls (mm, whole tenths) to a grade
    made_for : the regions the source graded; elsewhere the grade carries a note
    bounds : str, the bounds in words
    source : str, where the bounds stand
    """

    name: str
    title: str
    grades: tuple[str, ...]
    acceptable: frozenset[str]
    grade_of: Callable[[Mapping[Direction, Decimal]], str]
    made_for: frozenset[Region]
    bounds: str
    source: str


def greatest_extent(extents: Mapping[Direction, Decimal | None]) -> Decimal | None:
    """Return the greatest of the pedicle extents that were measured, or None where none was."""
    measured = [value for wall in PEDICLE_WALLS if (value := extents.get(wall)) is not None]
    return max(measured, default=None)


def _steps_open_above(bounds: tuple[str, ...], grades: tuple[str, ...]) -> Callable[..., str]:
    """0, then half-open steps [low, high): the lower bound belongs to the worse grade."""
    cuts = tuple(Decimal(bound) for bound in bounds)

    def grade_of(extents: Mapping[Direction, Decimal]) -> str:
        extent = max(extents.values(), default=Decimal(0))
        if extent == 0:
            return grades[0]
        return grades[1 + sum(extent >= cut for cut in cuts)]

    return grade_of


def _steps_closed_above(bounds: tuple[str, ...], grades: tuple[str, ...]) -> Callable[..., str]:
    """0, then steps (low, high]: the upper bound belongs to the better grade."""
    cuts = tuple(Decimal(bound) for bound in bounds)

    def grade_of(extents: Mapping[Direction, Decimal]) -> str:
        extent = max(extents.values(), default=Decimal(0))
        if extent == 0:
            return grades[0]
        return grades[1 + sum(extent > cut for cut in cuts)]

    return grade_of


def _safe_zone(extents: Mapping[Direction, Decimal]) -> str:
    medial = extents.get(Direction.MEDIAL, Decimal(0))
    lateral = extents.get(Direction.LATERAL, Decimal(0))
    return "inside" if medial <= Decimal(2) and lateral <= Decimal(4) else "outside"


_THORACOLUMBAR = frozenset({Region.THORACIC, Region.LUMBAR, Region.SACRAL})

SCALES: Mapping[str, Scale] = MappingProxyType(
    {
        scale.name: scale
        for scale in (
            Scale(
                name="gertzbein-robbins",
                title="Gertzbein-Robbins",
                grades=("A", "B", "C", "D", "E"),
                acceptable=frozenset({"A", "B"}),
                grade_of=_steps_open_above(("2", "4", "6"), ("A", "B", "C", "D", "E")),
                made_for=_THORACOLUMBAR,
                bounds="A 0; B over 0 and under 2; C 2 to under 4; D 4 to under 6; E 6 mm or more",
                source="J Robot Surg 2024, doi:10.1007/s11701-024-02001-w; Han et al. "
                "J Neurosurg Spine 2019;30:615",
            ),
            Scale(
                name="two-millimetre-steps",
                title="2 mm steps",
                grades=("0", "1", "2", "3"),
                acceptable=frozenset({"0", "1"}),
                grade_of=_steps_open_above(("2", "4"), ("0", "1", "2", "3")),
                made_for=_THORACOLUMBAR,
                bounds="0 none; 1 under 2; 2 2 to under 4; 3 4 mm or more",
                source="numeric form of Gertzbein and Robbins as tabulated in Puvanesarajah et al. "
                "World J Orthop 2014;5:112 (the edges 2.0 and 4.0 are not assigned there; "
                "half-open here)",
            ),
            Scale(
                name="laine",
                title="Laine",
                grades=("1", "2", "3", "4", "5"),
                acceptable=frozenset({"1", "2"}),
                grade_of=_steps_closed_above(("2", "4", "6"), ("1", "2", "3", "4", "5")),
                made_for=_THORACOLUMBAR,
                bounds="1 inside; 2 up to 2; 3 over 2 to 4; 4 over 4 to 6; 5 over 6 mm",
                source="Laine et al. 2000 as tabulated in J Orthop Surg Res 2020, "
                "doi:10.1186/s13018-020-01798-0, table 3",
            ),
            Scale(
                name="neo",
                title="Neo",
                grades=("0", "1", "2", "3"),
                acceptable=frozenset({"0"}),
                grade_of=_steps_open_above(("2", "4"), ("0", "1", "2", "3")),
                made_for=frozenset({Region.CERVICAL}),
                bounds="0 none; 1 under 2; 2 2 to under 4; 3 4 mm or more",
                source="Neo et al. 2005 as tabulated in J Orthop Surg Res 2020, "
                "doi:10.1186/s13018-020-01798-0, table 3",
            ),
            Scale(
                name="safe-zone",
                title="Safe zone",
                grades=("inside", "outside"),
                acceptable=frozenset({"inside"}),
                grade_of=_safe_zone,
                made_for=frozenset({Region.THORACIC, Region.LUMBAR}),
                bounds="inside where medial is at most 2 and lateral at most 4 mm",
                source="Modi et al. 2008, neuromuscular scoliosis",
            ),
        )
    }
)

DEFAULT_SCALE = "gertzbein-robbins"


def measured_walls(
    extents: Mapping[Direction, Decimal | None], at: Level
) -> dict[Direction, Decimal] | None:
    """Return the measured pedicle walls, or None where a wall that the level needs is missing.

    Walls that a level does not need count when they were measured.
    """
    if not at.has_pedicle_grade:
        return None
    found = {wall: value for wall in PEDICLE_WALLS if (value := extents.get(wall)) is not None}
    return found if at.needed_walls <= found.keys() else None


def grade(
    extents: Mapping[Direction, Decimal | None], at: str, scale: str = DEFAULT_SCALE
) -> str | None:
    """Return the grade of a screw, or None where a needed wall was not measured.

    Parameters
    ----------
    extents : mm in whole tenths by direction; None where a direction was not measured
    at : level code
    scale : name of a scale

    Examples
    --------
    >>> walls = dict.fromkeys(PEDICLE_WALLS, Decimal(0))
    >>> grade({**walls, Direction.MEDIAL: Decimal("2.0")}, "L4")
    'C'
    """
    walls = measured_walls(extents, level(at))
    return None if walls is None else SCALES[scale].grade_of(walls)


def scale_note(at: str, scale: str) -> str:
    """Return the note that a grade carries outside the levels the scale was made for, or ''."""
    chosen = SCALES[scale]
    region = level(at).region
    if region in chosen.made_for:
        return ""
    made_for = ", ".join(r for r in dict.fromkeys(i.region for i in LEVELS) if r in chosen.made_for)
    return f"{chosen.title} was made for {made_for} levels, not for {region}"
