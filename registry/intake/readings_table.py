"""A table of readings that were made elsewhere: one row a reading of one screw."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING

from registry.domain.directions import Direction
from registry.intake.columns import READINGS
from registry.intake.parsed import shown
from registry.intake.sheet import Table

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date
    from decimal import Decimal

    from registry.domain.directions import Side
    from registry.domain.readings import Method, NotAssessableReason, ReadingRole
    from registry.domain.scans import ScanKind, ScanReason
    from registry.intake.parsed import Faults, Parsed
    from registry.intake.sheet import Cells


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One row: a reading.

    Attributes
    ----------
    extents_mm : whole tenths for every direction, None where not measured
    scan_on : day of the scan; the day read where the table gives none
    scan_given : whether the table gave it
    assessable : False where the screw could not be read; then `reason` says why and no extent
        stands
    uncertainty_mm : one standard deviation, of every extent of the row
    convergence_deg, sagittal_deg : whole tenths, None where not measured
    """

    case_ref: str
    level: str
    side: Side
    number: int
    reader: str
    read_on: date
    scan_on: date
    scan_given: bool
    scan_kind: ScanKind
    scan_reason: ScanReason
    extents_mm: Mapping[Direction, Decimal | None] = field(hash=False)
    assessable: bool
    reason: NotAssessableReason | None
    method: Method
    uncertainty_mm: Decimal | None
    convergence_deg: Decimal | None
    sagittal_deg: Decimal | None
    role: ReadingRole
    row: int


_EXTENT_COLUMNS = {direction: f"{direction.value}_mm" for direction in Direction}
_MEASURED = frozenset(
    {*_EXTENT_COLUMNS.values(), "uncertainty_mm", "convergence_deg", "sagittal_deg"}
)
_PLAIN = tuple(
    column.name
    for column in READINGS
    if column.name not in _EXTENT_COLUMNS.values() and column.name != "scan_on"
)
_KEY = ("case_ref", "level", "side", "number", "reader", "role", "read_on", "scan_on", "scan_kind")


def read_readings(data: bytes, name: str, encoding: str | None, today: date) -> Parsed[ReadingRow]:
    """Return the readings of a table and everything that is wrong with it.

    Parameters
    ----------
    data : the file's bytes
    name : the file's name, for faults
    encoding : of a file that is not UTF-8, else None
    today : the unit's day; no reading and no scan lies after it
    """
    table = Table(name, READINGS, today)
    table.read(data, encoding)
    rows = []
    first: dict[tuple[object, ...], int] = {}
    for cells in table.rows:
        is_sound = _check_assessable(cells, table.faults)
        is_sound &= _check_days(cells, table.faults)
        is_sound &= _check_key(cells, first, table.faults)
        if is_sound and not cells.wrong:
            rows.append(_reading(cells))
    return table.parsed(rows)


def _scan_on(cells: Cells) -> date:
    day: date = cells.values["scan_on"] or cells.values["read_on"]
    return day


def _check_assessable(cells: Cells, faults: Faults) -> bool:
    """Extents or a reason, never both and never neither."""
    if "assessable" in cells.wrong:
        return False
    if not cells.values["assessable"]:
        return _check_unread(cells, faults)
    if "reason" in cells.given:
        faults.add(
            "a reason stands where the screw was read",
            "write no in assessable, or empty the reason",
            row=cells.row,
            column="reason",
        )
        return False
    if not (cells.given | cells.wrong) & frozenset(_EXTENT_COLUMNS.values()):
        faults.add(
            "no extent was measured",
            "give at least one (0 where contained), or no in assessable with a reason",
            row=cells.row,
        )
        return False
    return True


def _check_unread(cells: Cells, faults: Faults) -> bool:
    measured = sorted(cells.given & _MEASURED)
    for column in measured:
        faults.add(
            "a number stands where the screw could not be read",
            "empty the cell, or write yes in assessable",
            row=cells.row,
            column=column,
        )
    has_reason = bool((cells.given | cells.wrong) & {"reason"})
    if not has_reason:
        faults.add(
            "no reason why the screw could not be read",
            "use one of: artefact, not covered, screw not there",
            row=cells.row,
            column="reason",
        )
    return has_reason and not measured


def _check_days(cells: Cells, faults: Faults) -> bool:
    if not {"read_on", "scan_on"} <= cells.given:
        return True
    scanned, read = cells.values["scan_on"], cells.values["read_on"]
    if scanned <= read:
        return True
    faults.add(
        f"the scan of {scanned} was read on {read}, before it was made",
        "check both days",
        row=cells.row,
        column="scan_on",
    )
    return False


def _check_key(cells: Cells, first: dict[tuple[object, ...], int], faults: Faults) -> bool:
    """One row a reader, screw, role and scan; a scan is its day and kind."""
    if cells.wrong & frozenset(_KEY):
        return True
    values = cells.values
    key = (
        values["case_ref"],
        values["level"],
        values["side"],
        values["number"],
        values["reader"].casefold(),
        values["role"],
        _scan_on(cells),
        values["scan_kind"],
    )
    earlier = first.setdefault(key, cells.row)
    if earlier == cells.row:
        return True
    faults.add(
        f"the {values['role']} reading of {values['level']} {values['side']} number "
        f"{values['number']} of case '{shown(values['case_ref'])}' by '{shown(values['reader'])}' "
        f"on the scan of {_scan_on(cells)} stands in row {earlier} already",
        "keep one, or say the role",
        row=cells.row,
    )
    return False


def _reading(cells: Cells) -> ReadingRow:
    extents = {direction: cells.values[name] for direction, name in _EXTENT_COLUMNS.items()}
    return ReadingRow(
        **{name: cells.values[name] for name in _PLAIN},
        scan_on=_scan_on(cells),
        scan_given="scan_on" in cells.given,
        extents_mm=MappingProxyType(extents),
        row=cells.row,
    )
