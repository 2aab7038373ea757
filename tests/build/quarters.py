"""A unit of six surgeons over two quarters, some screws read twice; everything is invented."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

from tests.build.loaded import load_reading_rows, load_rows

if TYPE_CHECKING:
    from registry.store.home import Ledger

SURGEONS = ("Anna Berg", "Bodo Carl", "Cora Dietz", "Dora Ernst", "Emil Falk", "Frida Gross")
MADE = datetime(2026, 3, 31, 15, 0, tzinfo=UTC)
PERIOD = "2026Q1"
MARKUP = "#panic() <script>alert(1)</script> $x$ *way* 'quoted'"
"""A way of entering that is markup in HTML, in a typesetter and in a shell."""

_CASES = 60
_LEVELS = (("T8", "T9"), ("L3", "L4"), ("L5", "S1"), ("T12", "L1"))
_WAYS = {"T": "subfacet", "L": "isthmus", "S": "sacral facet corner"}


def fill_quarters(ledger: Ledger) -> None:
    """Load sixty cases from October to March; every fifth screw is read a second time."""
    log, read = rows_of_quarters()
    load_rows(ledger, *log)
    load_reading_rows(ledger, *read)


def rows_of_quarters() -> tuple[list[dict[str, object]], list[dict[str, object]]]:
    """Return the theatre log and the readings."""
    log: list[dict[str, object]] = []
    read: list[dict[str, object]] = []
    for number in range(_CASES):
        ref, on = f"Q{number}", date(2025, 10, 2) + timedelta(days=2 * number)
        for place, level in enumerate(2 * _LEVELS[number % 4]):
            screw = {"case_ref": ref, "level": level, "side": "LR"[place // 2]}
            log.append(_logged(screw, number, on))
            if number % 10 != 9:  # every tenth case has no scan
                read += _read(screw, number, place, on)
    return log, read


def _logged(screw: dict[str, object], number: int, on: date) -> dict[str, object]:
    way = f"other: {MARKUP}" if number == 57 else _WAYS[str(screw["level"])[0]]
    return {
        **screw,
        "patient_ref": f"P{number}",
        "surgeon": SURGEONS[number % len(SURGEONS)],
        "operated_on": on,
        "entry_technique": way,
        "guidance": ("freehand", "navigation", "fluoroscopy")[number % 3],
        "no_ct_reason": "declined" if number % 10 == 9 else "",
    }


def _read(screw: dict[str, object], number: int, place: int, on: date) -> list[dict[str, object]]:
    wall = ("medial_mm", "lateral_mm")[number % 2]
    extent = {0: "2.4", 1: "4.6", 2: "1.1"}.get((3 * number + place) % 13, "0")
    about = {"read_on": on + timedelta(days=8), "scan_on": on + timedelta(days=4)}
    rows = [{**screw, **about, wall: extent}]
    if (number + place) % 5 == 0:
        other = "1.6" if extent == "1.1" else extent
        rows.append({**screw, **about, wall: other, "reader": "Lena Lead", "role": "second"})
    return rows
