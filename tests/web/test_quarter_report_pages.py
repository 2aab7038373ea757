"""The lead reads a quarter's report and keeps its files, and nobody else does."""

from __future__ import annotations

import io
import zipfile
from typing import TYPE_CHECKING

from registry.actions.quarter_files import FORMS
from registry.actions.quarter_numbers import quarter_numbers
from registry.web.headers import REPORT_POLICY
from tests.build.ledgers import NOW, QUALITY_LEAD, SURGEONS, viewer

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from tests.build.ledgers import KnownAccount
    from tests.web.conftest import Clock

    ClientOf = Callable[[KnownAccount], FlaskClient]


def test_the_lead_reads_and_keeps_the_report_that_the_action_makes(
    ledger: Ledger, clock: Clock, client_of: ClientOf
):
    client = client_of(QUALITY_LEAD)
    report = quarter_numbers(ledger, viewer(ledger, QUALITY_LEAD), "2025Q3", clock())
    page = client.get("/quarters/2025Q3/report")
    assert page.data == FORMS["html"](report)
    assert page.headers["Content-Security-Policy"] == REPORT_POLICY
    assert not [name for name in SURGEONS if name in page.text]
    state = client.get("/quarters/2025Q3").text
    with zipfile.ZipFile(io.BytesIO(client.get("/quarters/2025Q3/report.zip").data)) as kept:
        assert "2025Q3.rates.csv" in kept.namelist()
        for form in ("pdf", "json", "xlsx"):
            answer = client.get(f"/quarters/2025Q3/report.{form}")
            assert answer.data == kept.read(f"2025Q3.{form}"), form
            assert answer.headers["Content-Disposition"] == f'attachment; filename="2025Q3.{form}"'
            assert f"/quarters/2025Q3/report.{form}" in state


def test_a_wrong_quarter_or_form_is_told(client_of: ClientOf):
    client = client_of(QUALITY_LEAD)
    assert client.get("/quarters/2025Q7/report").status_code == 400
    assert "begins on" in client.get(f"/quarters/{NOW.year + 1}Q1/report").text
    assert client.get("/quarters/2025Q3/report.exe").status_code == 404
