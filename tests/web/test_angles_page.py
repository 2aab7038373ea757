"""The page of angles shows the count's own digits, and only to who sees everybody's numbers."""

from __future__ import annotations

from registry.actions.angles import measure_angles
from reports.tables.rates import Question
from tests.build.ledgers import QUALITY_LEAD, SURGEON, viewer


def test_the_page_holds_the_digits_of_the_count(ledger, client_of):
    client = client_of(QUALITY_LEAD)
    found = measure_angles(ledger, viewer(ledger, QUALITY_LEAD), Question()).tables
    (band,) = found.diameters
    page = client.get("/angles").text
    assert "No screw of this period has this angle measured. It is measured where a reader" in page
    assert "column sagittal_deg of a table of readings" in page
    assert band.name in page
    assert f"{100 * band.share.value:.1f}% ({100 * band.share.low:.1f}% to " in page
    assert "No screw of this period is graded." in client.get("/angles?from=2030-01-01").text
    refused = client.get("/angles?moon=full")
    assert refused.status_code == 400
    assert client_of(SURGEON).get("/angles").status_code == 403
