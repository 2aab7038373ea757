"""Paths that climb, addresses that lead away, lines in a header, and secrets in the log.

OWASP ASVS 5.0.0: 5.3.2 (paths), 3.7.2 (redirects), 1.2.1 (headers), 14.2.1 and 16.2.5 (log).
"""

from __future__ import annotations

import logging
import re
from typing import TYPE_CHECKING
from urllib.parse import quote

import pytest

from registry.web.guard import PASSWORD_AGAIN
from registry.web.json_lines import JsonLines
from tests.build.ledgers import PASSWORD
from tests.web.every_route import (
    EVERYTHING,
    REGISTRAR,
    address_of,
    every_route,
    signed_in,
    token_of,
)
from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from flask import Flask

    from registry.store.home import Ledger

CLIMBING = (
    "../app.py",
    "../../store/keys.py",
    "..\\app.py",
    "%2e%2e/app.py",
    "....//app.py",
    "/etc/passwd",
    "%2fetc%2fpasswd",
    "..%00/app.py",
    "paper.css/../../app.py",
    "C:\\Windows\\win.ini",
    "file:///etc/passwd",
)
ELSEWHERE = (
    "https://elsewhere.example/",
    "//elsewhere.example/",
    "/\\elsewhere.example/",
    "/\t/elsewhere.example/",
    "https:elsewhere.example",
    "javascript:alert(1)",
)
INJECTED = "/x\r\nX-Injected: yes\r\nSet-Cookie: planted=1"


def test_no_path_climbs_out_of_any_route(attacked_app: Flask):
    client = signed_in(attacked_app, EVERYTHING)
    wrong, tried = [], 0
    for route in every_route(attacked_app, "GET"):
        if not route.texts or "token" in route.texts:
            continue
        start = address_of(attacked_app, route, 1, text="HERE")
        for path in CLIMBING:
            for written in (path, quote(path, safe="")):
                answer = client.get(start.replace("HERE", written))
                text = answer.data.decode("utf-8", "replace")
                leaks = "from __future__" in text or "root:" in text
                if answer.status_code not in {302, 308, 400, 403, 404, 405} or leaks:
                    wrong.append((str(route), written, answer.status_code))
                answer.close()
                tried += 1
    assert wrong == []
    assert tried >= 60


def test_no_route_leads_to_another_site_or_takes_a_line_into_its_headers(attacked_app: Flask):
    client = signed_in(attacked_app, EVERYTHING)
    token = token_of(client)
    wrong = []
    for route in every_route(attacked_app, "GET", "POST"):
        if route.is_static or "sign-out" in route.rule:
            continue
        address = address_of(attacked_app, route, 1)
        for wanted in (*ELSEWHERE, INJECTED):
            names = ("next", "url", "return_to", "page", "news", "address")
            sent = dict.fromkeys(names, wanted)
            answer = client.open(
                address,
                method=route.method,
                query_string=sent,
                data={**sent, "csrf_token": token} if route.method == "POST" else None,
                headers={"Referer": "https://elsewhere.example/", "X-Forwarded-Host": "e.example"},
            )
            location = answer.headers.get("Location", "/")
            leads_away = not location.startswith("/") or re.match(r"/[/\\\t]", location)
            is_injected = "X-Injected" in answer.headers or any(
                "planted" in line.partition("=")[0] for line in answer.headers.getlist("Set-Cookie")
            )
            if leads_away or is_injected or answer.status_code >= 500:
                wrong.append((str(route), wanted, answer.status_code, location))
            answer.close()
    assert wrong == []


def test_signing_in_and_confirming_lead_nowhere_else(attacked_app: Flask):
    for wanted in (*ELSEWHERE, INJECTED):
        client = attacked_app.test_client()
        token = form_token(client.get("/sign-in", query_string={"next": wanted}).text)
        sent = {"csrf_token": token, "name": REGISTRAR.name, "password": PASSWORD, "next": wanted}
        assert client.post("/sign-in", data=sent).location == "/"
        again = {"csrf_token": token_of(client), "next": wanted, PASSWORD_AGAIN: PASSWORD}
        answer = client.post("/confirm", data=again)
        assert answer.location == "/"
        assert "X-Injected" not in answer.headers


@pytest.fixture
def log_lines() -> list[str]:
    """Give every line that the program and its libraries log from now on, at any level."""
    lines: list[str] = []

    class Kept(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            lines.append(JsonLines().format(record))

    root, handler = logging.getLogger(), Kept(logging.DEBUG)
    before = root.level
    root.addHandler(handler)
    root.setLevel(logging.DEBUG)
    yield lines
    root.removeHandler(handler)
    root.setLevel(before)


def test_no_secret_and_no_identity_stands_in_the_log(
    attacked_app: Flask, attacked: Ledger, log_lines: list[str]
):
    client = signed_in(attacked_app, EVERYTHING)
    cookie = client.get_cookie("signed-in")
    assert cookie is not None
    marked = {name: f"marked-{name}-0815" for name in ("password", "token", "number", "name")}
    client.set_cookie("known-browser", marked["token"])
    token = token_of(client)
    for route in every_route(attacked_app, "GET", "POST"):
        if route.is_static or "sign-out" in route.rule:
            continue
        fields = ("password", "again", "old", PASSWORD_AGAIN)
        sent = {
            **dict.fromkeys(fields, marked["password"]),
            **dict.fromkeys(("patient_ref", "reference", "patient"), marked["number"]),
            **dict.fromkeys(("name", "person", "reason", "note", "words"), marked["name"]),
        }
        for document in (None, sent):
            client.open(
                address_of(attacked_app, route, 1, text=marked["token"]),
                method=route.method,
                query_string={"next": marked["number"], "patient_ref": marked["number"]},
                headers={"X-CSRFToken": token, "Authorization": f"Bearer {marked['token']}"},
                **({"data": sent} if document is None else {"json": document}),
            ).close()
    said = "\n".join(log_lines)
    assert len(log_lines) > 40
    assert "refused" in said
    secrets = {*marked.values(), cookie.value, token, PASSWORD, *(k.hex() for k in keys(attacked))}
    assert [secret for secret in secrets if secret in said] == []
    # The hospital's numbers and the people of the ledger that was loaded.
    assert not [word for word in ("INV-0001", "H200-7191", "Anna Berg", "OP-1") if word in said]


def keys(ledger: Ledger) -> tuple[bytes, ...]:
    return ledger.keys.trail, ledger.keys.references, ledger.keys.cookies


def test_a_failure_is_logged_whole_and_without_what_was_sent(
    attacked_app: Flask, log_lines: list[str], monkeypatch: pytest.MonkeyPatch
):
    def fail(*_: object) -> None:
        raise RuntimeError("the disk is gone")

    client = signed_in(attacked_app, EVERYTHING)
    token = token_of(client)
    monkeypatch.setattr("registry.web.pages.account.own.end_other_sessions", fail)
    sent = {"csrf_token": token, "password": "marked-password-0815"}
    answer = client.post("/account/sessions/end-others", data=sent)
    assert answer.status_code == 500
    assert "the disk is gone" not in answer.text
    said = "\n".join(log_lines)
    assert "the disk is gone" in said
    assert "Traceback" in said
    assert "marked-password-0815" not in said
    assert token not in said


def test_no_route_answers_a_method_that_it_does_not_name(attacked_app: Flask):
    # OWASP ASVS 5.0.0, 13.4.4
    client = signed_in(attacked_app, EVERYTHING)
    token = token_of(client)
    wrong = []
    for route in every_route(attacked_app, "GET", "POST"):
        for method in ("TRACE", "PUT", "DELETE", "PATCH", "CONNECT"):
            answer = client.open(
                address_of(attacked_app, route, 1), method=method, headers={"X-CSRFToken": token}
            )
            if answer.status_code != 405:
                wrong.append((str(route), method, answer.status_code))
            answer.close()
    assert wrong == []
