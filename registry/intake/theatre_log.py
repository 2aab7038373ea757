"""A theatre log to cases with their screws: one row a screw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.intake.columns import THEATRE_LOG, GoesTo
from registry.intake.parsed import shown
from registry.intake.sheet import NOT_SHOWN, Table

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date
    from decimal import Decimal

    from registry.domain.directions import Side
    from registry.domain.techniques import (
        Approach,
        EntryTechnique,
        Guidance,
        Intention,
        Life,
        NoScanReason,
    )
    from registry.intake.parsed import Faults, Parsed
    from registry.intake.sheet import Cells


@dataclass(frozen=True, slots=True)
class LogScrew:
    """One row: a screw; `technique_words` says which where the technique is other, else ''."""

    level: str
    side: Side
    number: int
    entry_technique: EntryTechnique
    technique_words: str
    guidance: Guidance
    operator: str | None
    supervision: str | None
    diameter_mm: Decimal | None
    length_mm: Decimal | None
    alloy: str | None
    intention: Intention | None
    life: Life
    udi: str | None
    row: int


@dataclass(frozen=True, slots=True)
class LogCase:
    """One case: what its rows agree on, its screws in the order of the rows, and its rows."""

    case_ref: str
    patient_ref: str
    birth_date: date | None
    operated_on: date
    surgeon: str
    second_surgeon: str | None
    assistants: tuple[str, ...]
    indication: str | None
    revision: bool | None
    cobb_deg: Decimal | None
    bmi: Decimal | None
    bone_quality: str | None
    approach: Approach | None
    no_ct_reason: NoScanReason | None
    screws: tuple[LogScrew, ...]
    rows: tuple[int, ...]


_CASE_COLUMNS = tuple(column for column in THEATRE_LOG if column.goes_to is GoesTo.CASE)
_SCREW_COLUMNS = frozenset(column.name for column in THEATRE_LOG if column.goes_to is GoesTo.SCREW)
_REQUIRED_OF_CASE = tuple(column.name for column in _CASE_COLUMNS if column.is_required)
_SCREW_KEY = frozenset({"level", "side", "number"})


def read_theatre_log(data: bytes, name: str, encoding: str | None, today: date) -> Parsed[LogCase]:
    """Return the cases of a theatre log and everything that is wrong with it.

    Rows of one case agree on the case's columns; an empty cell of an optional one says nothing
    against another row's.

    Parameters
    ----------
    data : the file's bytes
    name : the file's name, for faults
    encoding : of a file that is not UTF-8, else None
    today : the unit's day; no operation lies after it
    """
    table = Table(name, THEATRE_LOG, today)
    table.read(data, encoding)
    by_case: dict[str, list[Cells]] = {}
    for cells in table.rows:
        if "case_ref" not in cells.wrong:
            by_case.setdefault(cells.values["case_ref"], []).append(cells)
    _check_birth_days(table.rows, table.faults)
    found = (_case(rows, table.faults) for rows in by_case.values())
    return table.parsed([case for case in found if case is not None])


def _case(rows: list[Cells], faults: Faults) -> LogCase | None:
    """Make one case of its rows; None where a value that it needs is wrong in all of them."""
    values = _agreed(rows, faults)
    _check_keys(rows, faults)
    if any(values[name] is None for name in _REQUIRED_OF_CASE):
        return None
    values["assistants"] = values["assistants"] or ()
    sound = (cells for cells in rows if not cells.wrong & _SCREW_COLUMNS)
    return LogCase(
        **values,
        screws=tuple(_screw(cells) for cells in sound),
        rows=tuple(cells.row for cells in rows),
    )


def _agreed(rows: list[Cells], faults: Faults) -> dict[str, Any]:
    """Return each case column's value; the first row that gives it is compared with the others."""
    values: dict[str, Any] = {}
    for column in _CASE_COLUMNS:
        name = column.name
        giving = [cells for cells in rows if name in cells.given]
        values[name] = giving[0].values[name] if giving else column.default
        for cells in giving:
            if cells.values[name] != values[name]:
                own = _said(cells.values[name], is_identity=column.is_identity)
                first = _said(values[name], is_identity=column.is_identity)
                faults.add(
                    f"{own} where row {giving[0].row} of the same case has {first}",
                    "rows of one case agree on it",
                    row=cells.row,
                    column=name,
                )
    return values


def _said(value: object, *, is_identity: bool) -> str:
    if is_identity:
        return NOT_SHOWN
    if isinstance(value, tuple):
        value = " | ".join(value)
    if isinstance(value, bool):
        value = "yes" if value else "no"
    return f"'{shown(str(value))}'"


def _check_keys(rows: list[Cells], faults: Faults) -> None:
    first: dict[tuple[str, str, int], int] = {}
    for cells in rows:
        if cells.wrong & _SCREW_KEY:
            continue
        level, side, number = (cells.values[name] for name in ("level", "side", "number"))
        earlier = first.setdefault((level, side, number), cells.row)
        if earlier != cells.row:
            faults.add(
                f"screw {level} {side} number {number} of case "
                f"'{shown(cells.values['case_ref'])}' stands in row {earlier} already",
                "keep one row a screw, or give a second screw of that side its number",
                row=cells.row,
            )


def _check_birth_days(rows: Iterable[Cells], faults: Faults) -> None:
    """No birth after the operation, and one day of birth a patient in all of their cases."""
    born: dict[str, Cells] = {}
    for cells in rows:
        if "birth_date" not in cells.given:
            continue
        birth = cells.values["birth_date"]
        if "operated_on" in cells.given and birth > cells.values["operated_on"]:
            faults.add(
                f"{NOT_SHOWN} lies after the operation",
                "check both days",
                row=cells.row,
                column="birth_date",
            )
        if "patient_ref" not in cells.given:
            continue
        first = born.setdefault(cells.values["patient_ref"], cells)
        other_case = first.values["case_ref"] != cells.values["case_ref"]
        if other_case and first.values["birth_date"] != birth:
            faults.add(
                f"{NOT_SHOWN} is not the day that row {first.row} gives for the same patient",
                "check the patient's number and day of birth",
                row=cells.row,
                column="birth_date",
            )


def _screw(cells: Cells) -> LogScrew:
    values = {name: cells.values[name] for name in _SCREW_COLUMNS}
    technique, words = values.pop("entry_technique")
    return LogScrew(**values, entry_technique=technique, technique_words=words, row=cells.row)
