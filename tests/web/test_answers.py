"""What every answer carries, and how trouble is told."""

from __future__ import annotations

import json
import logging
from typing import TYPE_CHECKING

import pytest

from registry.domain.problems import ConflictError, FailureError, Fault
from registry.web.app import LARGEST_REQUEST_BYTES, create_app
from registry.web.guard import open_to_all
from registry.web.json_lines import JsonLines
from tests.build.ledgers import NOW, PASSWORD, QUALITY_LEAD, REGISTRAR, STEWARD
from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask import Flask
    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from tests.build.ledgers import KnownAccount

    ClientOf = Callable[[KnownAccount], FlaskClient]

CAUTION = (
    "For audit and quality improvement; not for diagnosis or treatment decisions; "
    "follow local policy and licensed practice."
)
PAGES = [
    (None, "/sign-in"),
    (None, "/invitation/none"),
    (None, "/nothing-here"),
    (QUALITY_LEAD, "/rates"),
    (QUALITY_LEAD, "/rates?by=surgeon&threshold=any"),
    (QUALITY_LEAD, "/rates?from=yesterday"),
    (QUALITY_LEAD, "/accounts"),
    (QUALITY_LEAD, "/sign-out"),
    (QUALITY_LEAD, "/worklist"),
    (QUALITY_LEAD, "/worklist?page=9"),
    (STEWARD, "/accounts"),
    (STEWARD, "/rates"),
]


@pytest.mark.parametrize(("account", "address"), PAGES)
def test_every_page_carries_the_caution_and_the_headers(
    client: FlaskClient, client_of: ClientOf, account: KnownAccount | None, address: str
):
    answer = (client_of(account) if account else client).get(address)
    assert answer.mimetype == "text/html"
    assert CAUTION in answer.text
    assert "Spinal unit" in answer.text
    # OWASP ASVS 5.0.0: 3.4.3 to 3.4.6, 14.3.2
    policy = answer.headers["Content-Security-Policy"]
    for rule in ("default-src 'none'", "object-src 'none'", "base-uri 'none'"):
        assert rule in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert answer.headers["Cache-Control"] == "no-store"
    assert "Strict-Transport-Security" not in answer.headers
    assert "style=" not in answer.text
    assert "<script>" not in answer.text


def test_styles_may_be_kept_and_asked_for_again(client: FlaskClient):
    answer = client.get("/static/paper.css")
    assert answer.mimetype == "text/css"
    assert answer.headers["Cache-Control"] == "no-cache"
    answer.close()
    assert client.get("/static/../app.py").status_code == 404


@pytest.mark.parametrize("address", ["/sign-in", "/invitation/none"])
def test_a_form_without_its_token_is_refused(client: FlaskClient, address: str):
    answer = client.post(address, data={"name": "rita", "password": PASSWORD})
    assert answer.status_code == 400
    assert "open it again" in answer.text
    assert client.get_cookie("signed-in") is None


def test_nobody_is_signed_out_by_another_site(client_of: ClientOf):
    client = client_of(REGISTRAR)
    assert client.post("/sign-out").status_code == 400
    token = form_token(client.get("/worklist").text)
    foreign = client.post(
        "/sign-out", data={"csrf_token": token}, headers={"Sec-Fetch-Site": "cross-site"}
    )
    assert foreign.status_code == 403
    assert client.get("/worklist").status_code == 200


def test_a_token_of_another_browser_is_refused(app: Flask, client_of: ClientOf):
    token = form_token(app.test_client().get("/sign-in").text)
    answer = client_of(REGISTRAR).post("/sign-out", data={"csrf_token": token})
    assert answer.status_code == 400


@pytest.mark.parametrize("host", ["elsewhere.example", "localhost.elsewhere.example", "10.0.0.7"])
def test_a_host_that_is_not_served_gets_a_plain_refusal(client: FlaskClient, host: str):
    answer = client.get("/sign-in", headers={"Host": host})
    assert answer.status_code == 400
    assert answer.mimetype == "text/plain"
    assert CAUTION in answer.text
    assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_a_host_that_was_named_is_served_on_any_port(ledger: Ledger):
    client = create_app(ledger, clock=lambda: NOW, hosts=["ledger.unit.example"]).test_client()
    named = {"Host": "ledger.unit.example:8443"}
    assert client.get("/sign-in", headers=named).status_code == 200
    assert client.get("/sign-in", headers={"Host": "127.0.0.1:8000"}).status_code == 200


def test_too_large_a_form_is_refused_in_words(client: FlaskClient):
    answer = client.post("/sign-in", data={"name": "a" * (LARGEST_REQUEST_BYTES + 1)})
    assert answer.status_code == 413
    assert "More was sent than this page takes." in answer.text


def raising(app: Flask, error: Exception) -> FlaskClient:
    @open_to_all
    def view() -> str:
        raise error

    app.add_url_rule("/trouble", "trouble", view)
    app.add_url_rule("/trouble.json", "trouble.json", view)
    return app.test_client()


def test_a_problem_is_told_line_by_line_as_page_and_as_json(app: Flask):
    faults = (Fault("is taken", "row 3, level", "use L4"), Fault("is <b>empty</b>", "row 4"))
    client = raising(app, ConflictError(*faults))
    page = client.get("/trouble")
    assert page.status_code == 409
    assert "Row 3, level: is taken; use L4." in page.text
    assert "Row 4: is &lt;b&gt;empty&lt;/b&gt;." in page.text
    told = client.get("/trouble.json")
    assert told.status_code == 409
    assert told.json is not None
    assert told.json["problem"] == [fault.line() for fault in faults]
    wanted = client.get("/trouble", headers={"Accept": "application/json"})
    assert wanted.json is not None
    assert wanted.json["problem"] == told.json["problem"]


@pytest.mark.parametrize(
    "error", [ZeroDivisionError("secret of H100"), FailureError("disk full near H100")]
)
def test_a_failure_is_logged_whole_and_told_by_its_reference_alone(
    app: Flask, caplog: pytest.LogCaptureFixture, error: Exception
):
    client = raising(app, error)
    with caplog.at_level(logging.INFO, logger="registry.web"):
        page = client.get("/trouble")
    assert page.status_code == 500
    assert "H100" not in page.text
    assert CAUTION in page.text
    lines = [json.loads(JsonLines().format(record)) for record in caplog.records]
    failed = next(line for line in lines if line["what"] == "failure")
    assert failed["reference"] in page.text
    assert str(error) in failed["traceback"]


def test_the_log_names_the_route_and_never_what_stands_in_its_address(
    client: FlaskClient, client_of: ClientOf, caplog: pytest.LogCaptureFixture
):
    with caplog.at_level(logging.INFO, logger="registry.web"):
        client.get("/invitation/secret-token?for=nina")
        client.get("/no/such/H100")
        client_of(QUALITY_LEAD).get("/rates?by=surgeon")
    lines = [json.loads(JsonLines().format(record)) for record in caplog.records]
    requests = [line for line in lines if line["what"] == "request"]
    assert [line["route"] for line in requests] == [
        *("/invitation/<token>", None, "/sign-in", "/sign-in", "/rates")
    ]
    assert requests[-1]["status"] == 200
    assert len({line["reference"] for line in requests}) == len(requests)
    text = json.dumps(lines)
    for secret in ("secret-token", "nina", "H100", "lena", "Anna", PASSWORD):
        assert secret not in text


def test_health_answers_while_the_ledger_can_be_read(ledger: Ledger, client: FlaskClient):
    assert client.get("/health.json").json == {"answers": True}
    ledger.close()
    (ledger.home / "ledger.sqlite").write_bytes(b"no database")
    answer = client.get("/health.json")
    assert answer.status_code == 500
    assert answer.json is not None
    assert answer.json["reference"]
