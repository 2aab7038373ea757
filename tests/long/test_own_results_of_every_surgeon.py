"""Own results of every surgeon, in units of two, three and six: nobody else is in them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from registry.actions.initialise import initialise
from registry.actions.own_results import own_results
from tests.build import quarters
from tests.build.loaded import NOW
from tests.documents.test_own_results import QUESTION, SETTLED, names_nobody_else, surgeon

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("size", [2, 3, 6])
def test_no_surgeon_s_results_name_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int
):
    names = quarters.SURGEONS[:size]
    monkeypatch.setattr(quarters, "SURGEONS", names)
    ledger = initialise(tmp_path / "ledger", {}, NOW)
    quarters.fill_quarters(ledger)
    for name in names:
        report = own_results(ledger, surgeon(ledger, name), QUESTION, SETTLED)
        assert names_nobody_else(report, size)
        # Points are shown among five others at least, so in the unit of six alone.
        assert bool(report.surgeons.peers) is (size > 5)
        # The unit is told of only where three others have screws, none with nearly all.
        assert (report.headline(of_unit=True) is not None) is (size > 3)
    ledger.close()
