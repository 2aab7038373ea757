"""A quarter of two surgeons that nothing keeps from its seal; invented."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from registry.actions.replies import lay_before_surgeons
from registry.domain.access import Role
from tests.build.filled_once import filled_once
from tests.build.loaded import an_account, load_reading_rows, load_rows

if TYPE_CHECKING:
    from registry.domain.access import Viewer
    from registry.store.home import Ledger

PERIOD = "2026Q1"
LAID = datetime(2026, 4, 2, 9, 0, tzinfo=UTC)
EARLY = datetime(2026, 4, 20, 9, 0, tzinfo=UTC)
LATER = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
_SCREWS = [(level, side) for level in ("L3", "L4") for side in "LR"]


@filled_once
def fill_sealable(ledger: Ledger) -> dict[str, Viewer]:
    """Load two cases with their readings, lay the quarter before its surgeons; return who acts."""
    for reference, surgeon in (("OP-1", "Anna Berg"), ("OP-2", "Bodo Carl")):
        a_case(ledger, reference, surgeon)
        a_reading(ledger, reference)
    people = {
        "anna": an_account(ledger, "anna", Role.SURGEON, Role.QUALITY_LEAD, person="Anna Berg"),
        "bodo": an_account(ledger, "bodo", Role.SURGEON, person="Bodo Carl"),
        "lena": an_account(ledger, "lena", Role.QUALITY_LEAD, person="Lena Lead", new_person=True),
        "rita": an_account(ledger, "rita", Role.REGISTRAR, person="Rita Reader"),
        "stefan": an_account(ledger, "stefan", Role.STEWARD),
    }
    lay_before_surgeons(ledger, people["lena"], PERIOD, LAID)
    return people


def a_case(ledger: Ledger, reference: str, surgeon: str, day: str = "2026-02-03") -> None:
    """Load a case of four screws."""
    load_rows(
        ledger,
        *(
            {"case_ref": reference, "patient_ref": f"H{reference}", "surgeon": surgeon,
             "operated_on": day, "level": level, "side": side}
            for level, side in _SCREWS
        ),
    )  # fmt: skip


def a_reading(ledger: Ledger, reference: str) -> None:
    """Load a first reading of each screw of a case; one stands 2.4 mm outside."""
    load_reading_rows(
        ledger,
        *(
            {"case_ref": reference, "level": level, "side": side, "read_on": "2026-02-20",
             "scan_on": "2026-02-06", "medial_mm": "2.4" if number == 0 else "0"}
            for number, (level, side) in enumerate(_SCREWS)
        ),
    )  # fmt: skip
