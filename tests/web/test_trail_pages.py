"""The event trail on its pages: filters, what changed, and what each may not see of it."""

from __future__ import annotations

import re
from html import unescape
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import func, select

from registry.store.models.trail import EventRow
from tests.build.ledgers import QUALITY_LEAD, REGISTRAR, STEWARD, SURGEON, KnownAccount
from tests.web.reading_pages import form_values, table_rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient

    from registry.store.home import Ledger

    ClientOf = Callable[[KnownAccount], FlaskClient]

OWN_CASE = 1
"""The surgeon's own, OP-0; case 2 is another's."""


@pytest.fixture
def lead(client_of: ClientOf) -> FlaskClient:
    client = client_of(QUALITY_LEAD)
    for case in (OWN_CASE, 2):
        address = f"/cases/{case}/correct"
        sent = form_values(client.get(address).text, "because")
        sent |= {"bone_quality": "osteoporotic", "because": f"letter of case {case}"}
        assert client.post(address, data=sent).status_code == 303
    return client


def rows(client: FlaskClient, query: str) -> list[list[str]]:
    answer = client.get(f"/trail/?{query}")
    assert answer.status_code == 200
    return table_rows(answer.text)[1:]


def event(client: FlaskClient, query: str) -> tuple[list[list[str]], str]:
    (found, *_) = rows(client, query)
    answer = client.get(f"/trail/{found[0].removeprefix('no. ')}")
    return table_rows(answer.text)[1:], unescape(answer.text)


def test_a_correction_is_found_by_record_person_and_day_with_before_and_after(lead: FlaskClient):
    (line,) = [row for row in rows(lead, "record=operation:1") if row[3] == "correct a case"]
    assert line[1:] == [
        "2026-03-02 10:30:00",
        "lena",
        "correct a case",
        "operation:1",
        "bone quality",
        "letter of case 1",
    ]
    changed, page = event(lead, "record=operation:1")
    assert changed == [["bone quality", "", "osteoporotic"]]
    assert "Reason: letter of case 1" in page
    mine = rows(lead, "actor=lena")
    assert {row[2] for row in mine} == {"lena"}
    assert rows(lead, "actor=lena&first=2026-03-02&last=2026-03-02") == mine
    assert rows(lead, "actor=lena&first=2026-03-03") == []
    assert rows(lead, "record=operation&actor=lena&last=2026-03-01") == []


def test_a_case_s_page_leads_to_its_history(lead: FlaskClient):
    address = re.search(r'href="([^"]+)">what was done to it', lead.get("/cases/1").text)[1]
    kinds = {row[4].partition(":")[0] for row in table_rows(lead.get(address).text)[1:]}
    assert kinds == {"operation", "screw", "scan", "reading", "consensus"}
    others = {row[4] for row in rows(lead, "case=2")}
    assert "operation:2" in others
    assert "operation:1" not in others


def test_events_come_in_pages_of_a_hundred(ledger: Ledger, lead: FlaskClient):
    with ledger.reading() as session:
        total = session.execute(select(func.count()).select_from(EventRow)).scalar_one()
    pages = -(-total // 100)
    numbers = [row[0] for page in range(1, pages + 1) for row in rows(lead, f"page={page}")]
    assert len(rows(lead, "page=1")) == 100
    assert numbers == [f"no. {number}" for number in range(total, 0, -1)]
    assert lead.get(f"/trail/?page={pages + 1}").status_code == 404


@pytest.mark.usefixtures("lead")
def test_a_surgeon_sees_own_cases_and_own_deeds(client_of: ClientOf):
    surgeon = client_of(SURGEON)
    changed, page = event(surgeon, "record=operation:1")
    assert changed == [["bone quality", "", "osteoporotic"]]
    assert "letter of case 1" in page
    assert rows(surgeon, "record=operation:2") == []
    assert rows(surgeon, "case=2") == []
    assert {row[4] for row in rows(surgeon, "record=operation")} == {
        f"operation:{case}" for case in (1, 7, 13, 19)
    }


@pytest.mark.usefixtures("lead")
def test_a_steward_sees_every_event_and_of_clinical_ones_the_columns_alone(client_of: ClientOf):
    steward = client_of(STEWARD)
    (line,) = [row for row in rows(steward, "record=operation:1") if row[3] == "correct a case"]
    assert line[5:] == ["bone quality", "not shown to you"]
    changed, page = event(steward, "record=operation:1")
    assert changed == [["bone quality"]]
    assert "osteoporotic" not in page
    assert "letter of case" not in page
    changed, _ = event(steward, "record=account:2")
    assert ["name", "", "rita"] in changed or any(row[0] == "password hash" for row in changed)


@pytest.mark.usefixtures("lead")
def test_a_registrar_sees_own_events_alone(client_of: ClientOf):
    registrar = client_of(REGISTRAR)
    assert {row[2] for row in rows(registrar, "")} <= {"rita"}
    assert rows(registrar, "record=operation") == []
    assert registrar.get("/trail/500").status_code == 404


def test_an_event_that_shows_a_case_counts_as_a_look_at_it(lead: FlaskClient, client_of: ClientOf):
    def looks() -> int:
        return len(rows(lead, "record=case_seen&actor=lena"))

    (line, *_) = [row for row in rows(lead, "record=screw:9")]  # noqa: C416 - the first of them
    before = looks()
    lead.get(f"/trail/{line[0].removeprefix('no. ')}")
    assert looks() == before + 1
    steward = client_of(STEWARD)
    steward.get(f"/trail/{line[0].removeprefix('no. ')}")
    assert rows(steward, "record=case_seen&actor=stefan") == []


@pytest.mark.parametrize(
    "query", ["first=long+ago", "last=2026-02-30", "case=x", "first=0001-01-01"]
)
def test_what_cannot_be_asked_is_told(client_of: ClientOf, query: str):
    answer = client_of(STEWARD).get(f"/trail/?{query}")
    assert answer.status_code == 400
    assert 'role="alert"' in answer.text
