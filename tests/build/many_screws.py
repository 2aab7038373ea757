"""A ledger of many invented screws, alike in nothing but how they are made: for what takes long."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.accounts import acting
from registry.actions.load_log import load_log
from registry.actions.load_readings import load_readings
from tests.build.loaded import NOW, TODAY, table
from tests.build.tables import a_log, a_readings

if TYPE_CHECKING:
    from collections.abc import Iterator

    from registry.store.home import Ledger

SCREWS_A_CASE = 10
LEVELS = ("T12", "L1", "L2", "L3", "L4", "L5")
TECHNIQUES = {"T12": ("subfacet", "transverse process")}
LUMBAR = ("lateral intersection", "isthmus", "cortical bone trajectory", "percutaneous")
GUIDANCE = ("freehand", "fluoroscopy", "navigation", "robot-assisted")
INDICATIONS = ("degenerative", "deformity", "trauma", "tumour", "")
DIAMETERS = ("5.5", "6.0", "6.5", "7.0", "7.5")


def fill_with_many(ledger: Ledger, cases: int) -> None:
    """Load `cases` operations of ten screws each, and a reading of nine in ten of them."""
    local = acting(ledger, None)
    how = {"new_persons": True, "today": TODAY, "now": NOW}
    load_log(ledger, local, table(a_log(*_logged(cases)), "log.csv"), **how)
    load_readings(ledger, local, table(a_readings(*_read(cases)), "readings.csv"), **how)


def _rows(cases: int) -> Iterator[dict[str, object]]:
    for case in range(cases):
        for place in range(SCREWS_A_CASE):
            level = LEVELS[(case % 2) + place // 2]
            yield {"case_ref": f"OP-{case:05}", "level": level, "side": "LR"[place % 2]}


def _logged(cases: int) -> Iterator[dict[str, object]]:
    for row in _rows(cases):
        case = int(str(row["case_ref"])[3:])
        technique = TECHNIQUES.get(str(row["level"]), LUMBAR)
        yield row | {
            "patient_ref": f"H{case:06}",
            "operated_on": _day(case),
            "surgeon": f"Surgeon {case % 8}",
            "operator": f"Operator {case % 11}",
            "entry_technique": technique[case // 3 % len(technique)],
            "guidance": GUIDANCE[case // 5 % len(GUIDANCE)],
            "indication": INDICATIONS[case // 7 % len(INDICATIONS)],
            "diameter_mm": DIAMETERS[case // 2 % len(DIAMETERS)],
            "birth_date": "1950-01-01",
        }


def _read(cases: int) -> Iterator[dict[str, object]]:
    for number, row in enumerate(_rows(cases)):
        case = int(str(row["case_ref"])[3:])
        if case % 10 == 9:  # one in ten has no scan
            continue
        yield row | {
            "reader": f"Reader {case % 3}",
            "read_on": _day(case),
            "medial_mm": "2.4" if number % 19 == 0 else "0",
            "lateral_mm": "3.1" if number % 31 == 0 else "0",
        }


def _day(case: int) -> str:
    return f"20{24 + case % 2}-{1 + case % 12:02}-{1 + case % 28:02}"
