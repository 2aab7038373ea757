"""The export page: for the quality lead, behind the password, one zip and one event."""

from __future__ import annotations

import io
import zipfile
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from registry.store.models.trail import EventRow
from registry.web.guard import PASSWORD_AGAIN
from tests.build.ledgers import PASSWORD, QUALITY_LEAD, SURGEON
from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from registry.store.home import Ledger
    from tests.build.ledgers import KnownAccount
    from tests.web.conftest import Clock


def asked(client: FlaskClient, **sent: str) -> TestResponse:
    token = form_token(client.get("/export").text)
    return client.post("/export/file", data={"csrf_token": token, **sent})


def names_in(answer: TestResponse) -> set[str]:
    return set(zipfile.ZipFile(io.BytesIO(answer.data)).namelist())


def exports_noted(ledger: Ledger) -> list[tuple[str, str]]:
    with ledger.reading() as session:
        rows = session.execute(EventRow.__table__.select().order_by(EventRow.sequence)).all()
    return [(row.actor, row.verb) for row in rows if row.record == "export"]


def test_the_tables_come_as_one_zip_and_one_event(
    ledger: Ledger, client_of: Callable[[KnownAccount], FlaskClient]
):
    answer = asked(client_of(QUALITY_LEAD), what="tables", format="xlsx")
    assert answer.status_code == 200
    assert answer.headers["Content-Disposition"] == 'attachment; filename="tables.zip"'
    assert answer.headers["Cache-Control"] == "no-store"
    assert {"cases.xlsx", "people.xlsx", "datapackage.json"} < names_in(answer)
    assert exports_noted(ledger) == [("lena", "export tables")]


def test_counts_for_research_come_with_what_was_done_to_them(
    ledger: Ledger, client_of: Callable[[KnownAccount], FlaskClient]
):
    answer = asked(
        client_of(QUALITY_LEAD), what="research", format="csv", by="region", and_by="guidance"
    )
    assert names_in(answer) == {"counts.csv", "flow.csv", "datapackage.json", "README.txt"}
    assert exports_noted(ledger) == [("lena", "export for research")]


def test_the_password_is_asked_again_after_ten_minutes(
    ledger: Ledger, client_of: Callable[[KnownAccount], FlaskClient], clock: Clock
):
    client = client_of(QUALITY_LEAD)
    clock.instant += timedelta(minutes=11)
    question = asked(client, what="tables", format="csv")
    assert question.status_code == 403
    assert "Confirm that it is you" in question.text
    assert exports_noted(ledger) == []
    sent = {"csrf_token": form_token(question.text), "what": "tables", "format": "csv"}
    wrong = client.post("/export/file", data={**sent, PASSWORD_AGAIN: "not it"})
    assert "Confirm that it is you" in wrong.text
    assert exports_noted(ledger) == []
    answer = client.post("/export/file", data={**sent, PASSWORD_AGAIN: PASSWORD})
    assert "cases.csv" in names_in(answer)
    assert exports_noted(ledger) == [("lena", "export tables")]


@pytest.mark.parametrize(
    "sent",
    [
        {},
        {"what": "all", "format": "csv"},
        {"what": "tables", "format": "../csv"},
        {"what": "research", "format": "csv", "by": "moon"},
        {"what": "research", "format": "csv", "by": "level", "and_by": "level"},
    ],
    ids=["nothing", "no such kind", "a format that climbs", "no such split", "a split twice"],
)
def test_a_form_that_asks_for_nothing_there_is_is_told(
    ledger: Ledger, client_of: Callable[[KnownAccount], FlaskClient], sent: dict[str, str]
):
    answer = asked(client_of(QUALITY_LEAD), **sent)
    assert answer.status_code == 400
    assert 'role="alert"' in answer.text
    assert exports_noted(ledger) == []


def test_a_surgeon_neither_sees_the_page_nor_takes_a_file(
    ledger: Ledger, client_of: Callable[[KnownAccount], FlaskClient]
):
    client = client_of(SURGEON)
    assert client.get("/export").status_code == 403
    token = form_token(client.get("/account").text)
    sent = {"csrf_token": token, "what": "tables", "format": "csv"}
    assert client.post("/export/file", data=sent).status_code == 403
    assert "Export" not in client.get("/cases/").text
    assert exports_noted(ledger) == []
