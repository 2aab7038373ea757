"""The one table everything is counted from: a row a screw, its columns and what must hold of them.

Whoever fills it hands in `ScrewRow`s; whoever counts takes the events from `Event`, so that a
screw is graded and breached by one rule everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from registry.domain.directions import PEDICLE_WALLS, Direction, Side
from registry.domain.levels import LEVELS
from registry.domain.techniques import COUNTED_LIVES, Intention, Life

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date
    from decimal import Decimal

    import numpy.typing as npt

LEVEL_BY_CODE = {item.code: item for item in LEVELS}
_NEEDED = {item.code: item.needed_walls for item in LEVELS}
_SIDES = frozenset(Side)
_COUNTED_WORDS = frozenset(map(str, COUNTED_LIVES))

# An intended exit is in one direction; medial and caudal exits are never intended.
INTENDED_EXIT = {
    Intention.IN_OUT_IN: Direction.LATERAL,
    Intention.BICORTICAL: Direction.ANTERIOR,
}

COLUMNS: Mapping[str, str] = {
    "screw_id": "int64",
    "patient": "str",  # pseudonym
    "case_id": "int64",
    "operated_on": "datetime64[s]",
    "quarter": "str",  # of the operation, 2026Q3
    "level": "str",
    "region": "str",
    "side": "str",
    "number": "int64",
    "entry_technique": "str",
    "guidance": "str",
    "surgeon": "int64",  # responsible; person id
    "operator": "Int64",  # person id, missing where not stated
    "indication": "str",  # missing where not stated
    "diameter_mm": "float64",  # missing where not stated
    "revision": "boolean",  # the operation, missing where not stated
    "bone_quality": "str",  # missing where not stated
    "body_mass_index": "float64",  # missing where not stated
    "cobb_deg": "float64",  # missing where not stated
    "curve_side": "str",  # concave or convex, missing where not stated
    "life": "str",
    "intention": "str",  # missing where none
    "imaged": "bool",  # the case has an audit scan
    "pedicle": "bool",  # the level has a pedicle grade
    "graded": "bool",  # every wall that its level needs was measured
    "partly_read": "bool",  # something was measured, a needed wall was not
    "provisional": "bool",  # a second reading or an adjudication is owed
    **{f"{direction}_mm": "float64" for direction in Direction},  # missing where not measured
}


def extent_column(direction: Direction) -> str:
    """Return the name of the column with a direction's extent in millimetres."""
    return f"{direction}_mm"


@dataclass(frozen=True)
class ScrewRow:
    """One placed screw as its ledger knows it, with what consensus makes of its readings.

    Attributes
    ----------
    screw_id, case_id, number : whole numbers; number is 1 unless a side has two screws there
    patient : pseudonym
    operated_on : day of operation
    level, side : the patient's own, as the domain writes them
    entry_technique, guidance : words as recorded
    surgeon, operator : person ids; responsible surgeon, and who put the screw in if stated
    indication, diameter_mm : None where not stated
    revision, bone_quality, body_mass_index, cobb_deg : of the case; None where not stated
    curve_side : concave or convex, None where not stated
    life : placed or redirected; a removed or retained screw is refused
    intention : the exit planned before imaging, None for none
    imaged : the case has an audit scan
    provisional : the first reading counts while another is owed
    extents_mm : on the audit scan, whole tenths; a direction absent or None was not measured
    """

    screw_id: int
    patient: str
    case_id: int
    operated_on: date
    level: str
    side: str
    number: int
    entry_technique: str
    guidance: str
    surgeon: int
    operator: int | None = None
    indication: str | None = None
    diameter_mm: Decimal | None = None
    revision: bool | None = None
    bone_quality: str | None = None
    body_mass_index: Decimal | None = None
    cobb_deg: Decimal | None = None
    curve_side: str | None = None
    life: Life = Life.PLACED
    intention: Intention | None = None
    imaged: bool = False
    provisional: bool = False
    extents_mm: Mapping[Direction, Decimal | None] = field(default_factory=dict)


def frame(rows: Iterable[ScrewRow]) -> pd.DataFrame:
    """Return the checked table of the rows; ValueError names the first screw that cannot be in it.

    A row that breaks a rule is a fault of the program that filled it, not of a person.
    """
    listed = list(rows)
    for row in listed:
        _check_row(row)
    needed = [LEVEL_BY_CODE[row.level].needed_walls for row in listed]
    measured = [
        {direction for direction, extent in row.extents_mm.items() if extent is not None}
        for row in listed
    ]
    graded = [bool(walls) and walls <= there for walls, there in zip(needed, measured, strict=True)]
    table: dict[str, list[Any]] = {
        name: [getattr(row, name) for row in listed] for name in COLUMNS if _is_plain(name)
    }
    table["quarter"] = [_quarter(row.operated_on) for row in listed]
    table["region"] = [LEVEL_BY_CODE[row.level].region.value for row in listed]
    table["pedicle"] = [bool(walls) for walls in needed]
    table["graded"] = graded
    table["partly_read"] = [
        bool(walls) and bool(there) and not whole
        for walls, there, whole in zip(needed, measured, graded, strict=True)
    ]
    for name in ("operated_on", "life", "intention"):
        table[name] = [_cell(value) for value in table[name]]
    for name in ("diameter_mm", "body_mass_index", "cobb_deg"):
        table[name] = [_float(value) for value in table[name]]
    for direction in Direction:
        table[extent_column(direction)] = [_float(row.extents_mm.get(direction)) for row in listed]
    made = pd.DataFrame(
        {name: pd.Series(table[name], dtype=kind) for name, kind in COLUMNS.items()}
    )
    check(made)
    return made


def with_extents(
    table: pd.DataFrame, extents_mm: Sequence[Mapping[Direction, Decimal | None]]
) -> pd.DataFrame:
    """Return the frame as if its screws, in their order, had been measured so; checked again."""
    made = table.assign(
        **{
            extent_column(direction): [_float(each.get(direction)) for each in extents_mm]
            for direction in Direction
        }
    )
    made["graded"] = _has_needed_walls(made)
    measured = made[[extent_column(direction) for direction in Direction]].notna().any(axis=1)
    made["partly_read"] = made["pedicle"] & measured & ~made["graded"]
    check(made)
    return made


def check(table: pd.DataFrame) -> None:
    """Raise ValueError unless the table has its columns and everything that must hold of them."""
    kinds = {name: str(kind) for name, kind in table.dtypes.items()}
    if kinds != dict(COLUMNS):
        wrong = sorted(set(kinds.items()) ^ set(COLUMNS.items()))
        raise ValueError(f"columns differ from those of the frame: {wrong}")
    # Plain values: pandas takes five times as long over a few hundred screws.
    case, patient, surgeon, level = (
        table[name].tolist() for name in ("case_id", "patient", "surgeon", "level")
    )
    day = table["operated_on"].to_numpy().astype(np.int64).tolist()
    places = zip(case, level, table["side"].tolist(), table["number"].tolist(), strict=True)
    extents = table[[extent_column(direction) for direction in Direction]].to_numpy()
    has_needed = _has_needed_walls(table)
    rules = {
        "a screw is in the table twice": len(set(table["screw_id"].tolist())) < len(table)
        or len(set(places)) < len(table),
        "a case has two patients, days or surgeons": (
            len(set(zip(case, patient, day, surgeon, strict=True))) > len(set(case))
        ),
        "an extent is below 0": (extents < 0).any(),
        "a screw was measured without an audit scan": (
            ~np.isnan(extents).all(axis=1) & ~table["imaged"].to_numpy()
        ).any(),
        "a screw is graded without the walls that its level needs, or not graded with them": (
            (table["graded"].to_numpy() != has_needed).any()
        ),
        "a screw that is not counted is in the table": not (
            set(table["life"].tolist()) <= _COUNTED_WORDS
        ),
    }
    for rule, is_broken in rules.items():
        if is_broken:
            raise ValueError(rule)


class Threshold(StrEnum):
    """From which extent a breach is an event."""

    ANY = "any"
    TWO_MM = "2"
    FOUR_MM = "4"


class Intended(StrEnum):
    """Whether intended exits count."""

    INCLUDE = "include"
    EXCLUDE = "exclude"


@dataclass(frozen=True)
class Event:
    """What is counted as a breach.

    Attributes
    ----------
    threshold : any (above 0), or 2 or 4 mm and more
    direction : None for the greatest of the four pedicle extents, else that direction alone
    intended : with `exclude`, a planned exit counts as 0 in its own direction; the screw stays
        graded
    """

    threshold: Threshold = Threshold.TWO_MM
    direction: Direction | None = None
    intended: Intended = Intended.INCLUDE

    def graded(self, table: pd.DataFrame) -> pd.Series[bool]:
        """Return which screws are in the denominator.

        Without a direction those with a pedicle grade; in a direction those measured there.
        Screws of levels that have no pedicle grade never are.
        """
        if self.direction is None:
            return table["graded"]
        return table["pedicle"] & table[extent_column(self.direction)].notna()

    def extent_mm(self, table: pd.DataFrame) -> pd.Series[float]:
        """Return the extent that is compared with the threshold; missing where not measured."""
        return pd.Series(self._greatest_mm(table), index=table.index)

    def _greatest_mm(self, table: pd.DataFrame) -> npt.NDArray[np.float64]:
        """Return the greatest of the extents that count, not-a-number where none was measured."""
        walls = PEDICLE_WALLS if self.direction is None else (self.direction,)
        greatest = np.full(len(table), np.nan)
        for wall in walls:
            extent_mm = table[extent_column(wall)].to_numpy()
            for intention, planned in INTENDED_EXIT.items():
                if self.intended is Intended.EXCLUDE and planned is wall:
                    is_meant = (table["intention"] == intention.value).to_numpy(dtype=np.bool_)
                    extent_mm = np.where(is_meant & ~np.isnan(extent_mm), 0.0, extent_mm)
            np.fmax(greatest, extent_mm, out=greatest)
        return greatest

    def breached(self, table: pd.DataFrame) -> pd.Series[bool]:
        """Return which screws are events; never one that is not graded."""
        extent_mm = self._greatest_mm(table)
        beyond = (
            extent_mm > 0
            if self.threshold is Threshold.ANY
            else extent_mm >= float(self.threshold.value)
        )
        return self.graded(table) & beyond

    def words(self) -> str:
        """Return the event in plain words."""
        where = {
            None: "",
            Direction.BODY_LATERAL: "lateral body wall ",
            Direction.ENDPLATE: "endplate ",
        }.get(self.direction, f"{self.direction} ")
        text = (
            f"any {where}breach"
            if self.threshold is Threshold.ANY
            else f"{where}breach of {self.threshold} mm or more"
        )
        return text if self.intended is Intended.INCLUDE else f"{text}, intended exits left out"


def _check_row(row: ScrewRow) -> None:
    """Refuse a row that cannot be a counted screw."""
    if row.life not in COUNTED_LIVES:
        raise ValueError(f"{_key(row)} is {row.life}, not a placed screw")
    if row.level not in LEVEL_BY_CODE:
        raise ValueError(f"{_key(row)} is at no level of the spine")
    if row.side not in _SIDES:
        raise ValueError(f"{_key(row)} is on no side")
    for direction, extent in row.extents_mm.items():
        if extent is not None and (extent < 0 or extent * 10 % 1 != 0):
            words = f"{direction} extent {extent} is not in whole tenths from 0"
            raise ValueError(f"{_key(row)}: {words}")


def _key(row: ScrewRow) -> str:
    """Return how a screw is named."""
    return f"screw {row.screw_id} (case {row.case_id}, {row.level} {row.side} {row.number})"


def _has_needed_walls(table: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Return which screws were measured in every wall that their level needs."""
    needed = [_NEEDED.get(code, frozenset()) for code in table["level"].tolist()]
    found = np.zeros(len(table), dtype=np.bool_)
    for walls in filter(None, set(needed)):
        measured = [~np.isnan(table[extent_column(wall)].to_numpy()) for wall in walls]
        found |= np.array([each == walls for each in needed]) & np.logical_and.reduce(measured)
    return found


def _is_plain(name: str) -> bool:
    """Return whether a column stands in the row under the same name."""
    return name in ScrewRow.__dataclass_fields__


def _quarter(day: date) -> str:
    """Return a day's quarter, as in 2026Q3."""
    return f"{day.year}Q{(day.month + 2) // 3}"


def _cell(value: object) -> object:
    """Return a word as plain text, anything else unchanged."""
    return value.value if isinstance(value, StrEnum) else value


def _float(value: Decimal | None) -> float:
    """Return a length as a float, not-a-number where it is missing."""
    return float("nan") if value is None else float(value)
