"""The page of completeness shows the command's digits and says what each line assumes."""

from __future__ import annotations

from registry.actions.completeness import measure_completeness
from reports.frame import Threshold
from reports.tables.rates import Question
from tests.build.ledgers import QUALITY_LEAD, REGISTRAR, viewer


def test_page_and_json_hold_the_digits_of_the_count(ledger, client_of):
    client = client_of(QUALITY_LEAD)
    asked = Question(threshold=Threshold.ANY, minimum=0)
    found = measure_completeness(ledger, viewer(ledger, QUALITY_LEAD), asked, 0.1)
    page = client.get("/completeness?threshold=any&assumed=10").text
    assert f"{found.graded} of {found.placed} placed screws" in page
    assert f"{100 * found.if_all:.1f}%" in page
    assert "as was asked" in page
    assert client.get("/completeness.json?threshold=any").json == found.as_json()
    refused = client.get("/completeness?assumed=many&from=never&moon=full")
    assert refused.status_code == 400
    assert "no filter &#39;moon&#39;" in refused.text
    assert "give per cent" in client.get("/completeness?assumed=many").text
    assert "No screw was placed" in client.get("/completeness?from=2030-01-01").text


def test_who_may_not_see_everybody_s_numbers_has_no_such_page(client_of):
    client = client_of(REGISTRAR)
    assert client.get("/completeness").status_code == 403
    assert "Completeness" not in client.get("/rates").text
