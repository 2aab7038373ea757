"""Load readings made elsewhere: all of them or nothing."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from registry.actions.follow_case import follow_cases
from registry.actions.loading import LoadOutcome, TableFile, kept_unless
from registry.actions.persons import Persons, find_persons
from registry.domain.access import Deed, Reach, Viewer, require
from registry.domain.checks import scan_warnings
from registry.domain.directions import Direction
from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.domain.readings import ReadingRole
from registry.domain.scans import ScanReason
from registry.intake.parsed import where
from registry.intake.readings_table import ReadingRow, read_readings
from registry.store.models.readings import Reading
from registry.store.models.scans import Scan
from registry.store.queries.counted_screws import participants
from registry.store.queries.known_cases import KnownCase, known_cases
from registry.store.queries.known_readings import (
    KnownReading,
    KnownScan,
    known_readings,
    known_scans,
)

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date, datetime

    from registry.intake.parsed import Parsed
    from registry.store.home import Ledger
    from registry.store.writing import Writing


def load_readings(
    ledger: Ledger,
    viewer: Viewer,
    table: TableFile,
    *,
    new_persons: bool = False,
    only_check: bool = False,
    today: date,
    now: datetime,
) -> LoadOutcome:
    """Load a table of readings.

    Raises
    ------
    BadInputError
        every fault of every row; nothing was changed
    ConflictError
        every reading that is known with other values; nothing was changed
    """
    require(viewer, Deed.LOAD_READINGS, at_least=Reach.ALL)
    parsed = read_readings(table.data, table.name, table.encoding, today)
    outcome = LoadOutcome(parsed.row_count, warnings=list(parsed.notes))
    with kept_unless(ledger.writing(viewer, now), only_check=only_check) as work:
        persons, unknown, made = find_persons(work, parsed, new_persons=new_persons)
        load = _Load(work, viewer, parsed, outcome, persons)
        faults = [*parsed.faults, *unknown]
        rows = list(load.placed(faults))
        if faults:
            raise BadInputError(*faults)
        conflicts = [fault for row in rows for fault in load.conflicts(row)]
        if conflicts:
            raise ConflictError(*conflicts)
        outcome.new_persons = list(made)
        entered = [load.enter(row) for row in rows]
        # A scan held elsewhere may now be the one that its case is counted on.
        follow_cases(work, ledger.settings, load.with_new_scan, screws=entered)
    return outcome


@dataclass(frozen=True)
class _Placed:
    """A row, and the screw that it is about."""

    row: ReadingRow
    case: KnownCase
    screw_id: int
    reader_id: int

    @property
    def scan_key(self) -> tuple[int, date, str]:
        return self.case.case_id, self.row.scan_on, self.row.scan_kind.value


@dataclass
class _Load:
    work: Writing
    viewer: Viewer
    parsed: Parsed[ReadingRow]
    outcome: LoadOutcome
    persons: Persons
    scans: dict[tuple[int, date, str], KnownScan] = field(init=False)
    with_new_scan: set[int] = field(default_factory=set)
    readings: dict[tuple[int, int, str], KnownReading] = field(init=False)

    def __post_init__(self) -> None:
        self.scans = known_scans(self.work.session)
        self.readings = known_readings(self.work.session)

    def placed(self, faults: list[Fault]) -> Iterable[_Placed]:
        """Yield the rows whose screw is known and whose reader may read it; fault the others."""
        cases, took_part = known_cases(self.work.session), participants(self.work.session)
        first: dict[tuple[object, ...], ReadingRow] = {}
        reasons: dict[tuple[object, ...], ReadingRow] = {}
        for row in self.parsed.rows:
            found = list(self._row_faults(row, cases.get(row.case_ref), took_part))
            found += self._clashes(row, first, reasons)
            if found:
                faults += found
                continue
            case = cases[row.case_ref]
            screw = case.screws[row.level, row.side.value, row.number]
            reader = self.persons.known_id(row.reader)
            if reader is not None:
                yield _Placed(row, case, int(screw["id"]), reader)

    def _row_faults(
        self, row: ReadingRow, case: KnownCase | None, took_part: dict[int, frozenset[int]]
    ) -> Iterable[Fault]:
        if case is None:
            yield self._fault(row, "case_ref", f"no case {row.case_ref!r}", "load its log first")
            return
        if (row.level, row.side.value, row.number) not in case.screws:
            text = f"case {row.case_ref} has no screw {row.level} {row.side} number {row.number}"
            yield self._fault(row, "level", text, "correct the row, or load the log that has it")
        reader = self.persons.known_id(row.reader)
        if reader is not None and reader in took_part[case.case_id]:
            text = f"{row.reader!r} operated or assisted at case {row.case_ref}"
            yield self._fault(row, "reader", text, "nobody reads their own case")

    def _clashes(
        self,
        row: ReadingRow,
        first: dict[tuple[object, ...], ReadingRow],
        reasons: dict[tuple[object, ...], ReadingRow],
    ) -> Iterable[Fault]:
        scan = (row.case_ref, row.scan_on, row.scan_kind)
        screw = (*scan, row.level, row.side, row.number)
        other = first.setdefault((*screw, row.role), row)
        if other is not row:
            text = f"a second {row.role} reading of the screw of row {other.row} on the same scan"
            yield self._fault(row, "role", text, "say `second` or `adjudication`, or remove one")
        roles = {ReadingRole.FIRST, ReadingRole.SECOND}
        for role in roles - {row.role} if row.role in roles else ():
            pair = first.get((*screw, role))
            if pair is not None and pair.reader == row.reader:
                text = f"{row.reader!r} read this screw already in row {pair.row}"
                yield self._fault(row, "reader", text, "a second reading is another person's")
        said = reasons.setdefault(scan, row)
        if said.scan_reason is not row.scan_reason:
            text = f"{row.scan_reason!s} differs from {said.scan_reason!s} in row {said.row}"
            yield self._fault(row, "scan_reason", text, "one scan has one reason")

    def conflicts(self, placed: _Placed) -> Iterable[Fault]:
        """Yield in what a known scan or reading differs from the row."""
        row, scan = placed.row, self.scans.get(placed.scan_key)
        if scan is None:
            return
        if row.scan_reason is not ScanReason.NOT_STATED and row.scan_reason.value != scan.reason:
            yield self._conflict(row, "scan_reason", "this scan is known with another reason")
        known = self.readings.get((placed.screw_id, scan.scan_id, row.role.value))
        if known is not None:
            said = _values(placed) | {"reader_id": placed.reader_id}
            for column, value in said.items():
                # A table that leaves an angle out says nothing of one that was measured.
                is_left_out = column in _ANGLES and value is None
                if value != known.values[column] and not is_left_out:
                    column_name = _COLUMN_OF.get(column, column)
                    yield self._conflict(row, column_name, "this reading is known otherwise")
            return
        pair = {ReadingRole.FIRST: ReadingRole.SECOND, ReadingRole.SECOND: ReadingRole.FIRST}
        other = self.readings.get((placed.screw_id, scan.scan_id, pair.get(row.role, "")))
        if other is not None and other.values["reader_id"] == placed.reader_id:
            yield self._conflict(row, "reader", f"{row.reader!r} has read this screw already")

    def enter(self, placed: _Placed) -> int:
        """Add what is new of a row; return its screw."""
        row, work = placed.row, self.work
        scan = self.scans.get(placed.scan_key)
        if scan is None:
            scan_id = work.insert(
                Scan,
                "note a scan held elsewhere",
                case_id=placed.case.case_id,
                scanned_on=row.scan_on,
                kind=row.scan_kind.value,
                reason=row.scan_reason.value,
                is_adequate=True,
                warnings="[]",
                matched_by_id=self.viewer.account_id,
            )
            scan = self.scans[placed.scan_key] = KnownScan(scan_id, row.scan_reason.value)
            self.with_new_scan.add(placed.case.case_id)
            self.outcome.count("scans", is_new=True)
            self.outcome.warnings += [
                f"case {row.case_ref}: {warned.text}"
                for warned in scan_warnings(placed.case.values["operated_on"], row.scan_on)
            ]
        is_new = (placed.screw_id, scan.scan_id, row.role.value) not in self.readings
        self.outcome.count("readings", is_new=is_new)
        if is_new:
            work.insert(
                Reading,
                "load a reading",
                screw_id=placed.screw_id,
                scan_id=scan.scan_id,
                reader_id=placed.reader_id,
                recorded_by_id=self.viewer.account_id,
                role=row.role.value,
                recorded_at=work.now,
                is_blind=True,
                source_name=self.parsed.name[:200],
                source_row=row.row,
                **_values(placed),
            )
        return placed.screw_id

    def _fault(self, row: ReadingRow, column: str, what: str, mend: str) -> Fault:
        return Fault(what, where(self.parsed.name, row.row, column), mend)

    def _conflict(self, row: ReadingRow, column: str, what: str) -> Fault:
        return self._fault(
            row, column, what, "nothing was changed; take the row out, or supersede the reading"
        )


_ANGLES = ("convergence_deg", "sagittal_deg")
_COLUMN_OF = {
    "is_assessable": "assessable",
    "not_assessable_reason": "reason",
    "reader_id": "reader",
    **{f"{wall}_sd_mm": "uncertainty_mm" for wall in Direction},
}


def _values(placed: _Placed) -> dict[str, Any]:
    row = placed.row
    values: dict[str, Any] = {
        "read_on": row.read_on,
        "is_assessable": row.assessable,
        "not_assessable_reason": None if row.reason is None else row.reason.value,
        "method": row.method.value,
        "convergence_deg": row.convergence_deg,
        "sagittal_deg": row.sagittal_deg,
    }
    for wall in Direction:
        extent = row.extents_mm.get(wall)
        values[f"{wall}_mm"] = extent
        values[f"{wall}_sd_mm"] = None if extent is None else row.uncertainty_mm
    return values
