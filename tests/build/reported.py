"""The four screws of the small ledger's OP-1, read in each way that a report tells of."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from registry.actions.accounts import acting
from registry.actions.settle import settle
from registry.domain.access import Role
from registry.domain.directions import PEDICLE_WALLS
from registry.store.models.readings import Reading
from tests.build.loaded import NOW, an_account

if TYPE_CHECKING:
    from registry.store.home import Ledger
    from registry.store.writing import Writing

SCAN = 4
"""OP-1's, the only one whose image is held; screws 1 to 4 are L4 L, L4 R, L5 L and L5 R."""
AXIS = ((-97.0, -80.0, 7.5), (-93.0, -86.0, 9.75))
MARKS = json.dumps({"marks": {"entry_mm": AXIS[0], "tip_mm": AXIS[1]}, "window_hu": None})


def read_in_every_way(ledger: Ledger) -> None:
    """Read screw 1 once with marks, 2 twice alike, 3 twice apart and decided, 4 not at all."""
    lena = an_account(ledger, "lena", Role.QUALITY_LEAD, person="Lena Lead")
    rita = acting(ledger, "rita")
    with ledger.writing(rita, NOW) as work:
        sds = {"medial_sd_mm": Decimal("0.6"), "lateral_sd_mm": Decimal("0.4")}
        _read(work, rita.person_id, 1, "first", medial="2.4", method="contour", marks=MARKS,
              convergence_deg=Decimal("11.5"), bearing_deg=Decimal("12.0"), confidence="high",
              **sds)  # fmt: skip
        _read(work, rita.person_id, 2, "first", lateral="1.2", lateral_sd_mm=Decimal("0.5"))
        _read(work, lena.person_id, 2, "second", lateral="1.6", lateral_sd_mm=Decimal("0.8"))
        _read(work, rita.person_id, 3, "first", medial="4.6")
        _read(work, lena.person_id, 3, "second", medial="0.0")
        _read(work, lena.person_id, 3, "adjudication", medial="3.1", medial_sd_mm=Decimal("0.3"))
        _read(work, rita.person_id, 4, "first", is_assessable=False,
              not_assessable_reason="artefact")  # fmt: skip
        settle(work, ledger.settings, [1, 2, 3, 4])


def _read(work: Writing, reader: int | None, screw: int, role: str, **given: Any) -> None:
    walls: dict[str, Any] = {}
    if given.get("is_assessable", True):
        walls = {f"{w}_mm": Decimal(given.pop(w.value, "0.0")) for w in PEDICLE_WALLS}
    work.insert(
        Reading,
        "read a screw",
        screw_id=screw,
        scan_id=SCAN,
        reader_id=reader,
        recorded_by_id=1,
        role=role,
        read_on=work.now.date(),
        recorded_at=work.now,
        **{"is_assessable": True, "method": "calliper", "is_blind": True} | walls | given,
    )
