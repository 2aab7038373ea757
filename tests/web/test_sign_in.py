"""Signing in and out, invitations, sessions."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from registry.domain.access import Role
from registry.domain.passwords import SHORTEST
from registry.web.app import create_app
from registry.web.pages.account.forms import page_to_return_to
from tests.build.ledgers import (
    PASSWORD,
    QUALITY_LEAD,
    REGISTRAR,
    STEWARD,
    SURGEON,
    KnownAccount,
    an_invitation,
    disable,
)
from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from registry.store.home import Ledger
    from tests.web.conftest import Clock

    ClientOf = Callable[[KnownAccount], FlaskClient]

NINA = KnownAccount("nina", frozenset({Role.REGISTRAR}), None)


def enter(
    client: FlaskClient, name: str, password: str = PASSWORD, wanted: str = ""
) -> TestResponse:
    token = form_token(client.get("/sign-in").text)
    sent = {"csrf_token": token, "name": name, "password": password, "next": wanted}
    return client.post("/sign-in", data=sent)


@pytest.mark.parametrize(
    ("account", "heading"),
    [
        (REGISTRAR, "To be read by you"),
        (SURGEON, "Your own results"),
        (QUALITY_LEAD, "The quarters on their way"),
        (STEWARD, "Accounts"),
    ],
    ids=lambda value: getattr(value, "name", value),
)
def test_each_role_starts_at_its_own_work(client_of: ClientOf, account: KnownAccount, heading: str):
    answer = client_of(account).get("/")
    assert answer.status_code == 200
    assert re.findall("<h2>(.*?)</h2>", answer.text)[0] == heading


@pytest.mark.parametrize(
    ("name", "password"),
    [("rita", "not the password at all"), ("nobody here", PASSWORD), ("local operator", "")],
    ids=["wrong password", "no such account", "the shell's own account"],
)
def test_what_was_wrong_with_a_sign_in_is_not_told(client: FlaskClient, name: str, password: str):
    answer = enter(client, name, password)
    assert answer.status_code == 403
    assert "Name or password is not right." in answer.text
    assert client.get("/").location.startswith("/sign-in")


def test_the_right_password_is_refused_after_ten_wrong_ones_and_taken_later(
    client: FlaskClient, clock: Clock
):
    for _ in range(10):
        enter(client, "rita", "not the password at all")
    refused = enter(client, "rita")
    assert refused.status_code == 403
    assert "Too many failed sign-ins" in refused.text
    clock.instant += timedelta(minutes=16)
    assert enter(client, "rita").status_code == 303


def test_a_disabled_account_is_out_at_its_next_request(ledger: Ledger, client_of: ClientOf):
    client = client_of(REGISTRAR)
    assert client.get("/worklist").status_code == 200
    disable(ledger, REGISTRAR)
    assert client.get("/worklist").location.startswith("/sign-in")
    assert enter(client, "rita").status_code == 403


def test_a_session_ends_without_requests_and_ends_anyway_after_its_hours(
    client_of: ClientOf, clock: Clock
):
    idle = client_of(REGISTRAR)
    clock.instant += timedelta(minutes=61)
    assert idle.get("/worklist").status_code == 302
    busy = client_of(REGISTRAR)
    for _ in range(23):
        clock.instant += timedelta(minutes=31)
        assert busy.get("/worklist").status_code == 200
    clock.instant += timedelta(minutes=31)
    assert busy.get("/worklist").status_code == 302


def test_signing_out_ends_the_session_on_the_server(client_of: ClientOf):
    client = client_of(REGISTRAR)
    kept = client.get_cookie("signed-in")
    assert kept is not None
    token = form_token(client.get("/worklist").text)
    left = client.post("/sign-out", data={"csrf_token": token})
    assert left.location == "/sign-in"
    assert left.headers["Clear-Site-Data"] == '"cache", "storage"'
    client.set_cookie("signed-in", kept.value)
    assert client.get("/worklist").status_code == 302


def test_signing_in_ends_the_session_that_the_browser_had(client_of: ClientOf):
    client = client_of(REGISTRAR)
    before = client.get_cookie("signed-in")
    token = form_token(client.get("/worklist").text)
    sent = {"csrf_token": token, "name": "rita", "password": PASSWORD}
    assert client.post("/sign-in", data=sent).status_code == 303
    after = client.get_cookie("signed-in")
    assert before is not None
    assert after is not None
    assert before.value != after.value
    client.set_cookie("signed-in", before.value)
    assert client.get("/worklist").status_code == 302


def test_the_session_cookie_is_kept_from_scripts_and_other_sites(client: FlaskClient):
    # OWASP ASVS 5.0.0, 3.3.1 to 3.3.4
    cookie = next(
        line for line in enter(client, "rita").headers.getlist("Set-Cookie") if "signed-in=" in line
    )
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    assert "Path=/" in cookie
    assert "Domain" not in cookie
    assert "Expires" not in cookie


def test_over_https_every_cookie_is_secure_and_bound_to_the_host(ledger: Ledger, clock: Clock):
    client = create_app(ledger, clock=clock, is_https=True).test_client()
    page = client.get("/sign-in", base_url="https://localhost")
    sent = {"csrf_token": form_token(page.text), "name": "rita", "password": PASSWORD}
    answer = client.post("/sign-in", data=sent, base_url="https://localhost")
    assert answer.status_code == 303
    cookies = [*page.headers.getlist("Set-Cookie"), *answer.headers.getlist("Set-Cookie")]
    assert any(cookie.startswith("__Host-signed-in=") for cookie in cookies)
    assert all(cookie.startswith("__Host-") and "Secure" in cookie for cookie in cookies)
    # OWASP ASVS 5.0.0, 3.4.1: a year with subdomains
    assert answer.headers["Strict-Transport-Security"] == "max-age=31536000; includeSubDomains"


def test_who_followed_a_link_gets_there_after_signing_in(client: FlaskClient):
    sent_away = client.get("/rates?by=side")
    assert sent_away.location == "/sign-in?next=/rates?by%3Dside"
    assert 'name="next" value="/rates?by=side"' in client.get(sent_away.location).text
    assert enter(client, "lena", wanted="/rates?by=side").location == "/rates?by=side"


@pytest.mark.parametrize(
    "address",
    [
        *("https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example"),
        *("\\\\elsewhere.example", "javascript:alert(1)", "/\t/elsewhere.example", "rates", ""),
    ],
)
def test_signing_in_never_leads_to_another_site(client: FlaskClient, address: str):
    assert page_to_return_to(address) is None
    assert enter(client, "lena", wanted=address).location == "/"


def test_an_invitation_sets_the_password_once(ledger: Ledger, client: FlaskClient):
    address = f"/invitation/{an_invitation(ledger, NINA)}"
    page = client.get(address)
    assert "Set a password for nina" in page.text
    assert f"At least {SHORTEST} characters" in page.text
    sent = {"csrf_token": form_token(page.text), "password": PASSWORD, "again": PASSWORD}
    assert client.post(address, data=sent).location == "/sign-in?news=password-set"
    assert client.get(address).status_code == 403
    assert client.post(address, data=sent).status_code == 403
    assert enter(client, "nina").status_code == 303


@pytest.mark.parametrize(
    ("password", "again", "told"),
    [
        ("short", "short", f"use {SHORTEST} characters or more"),
        (PASSWORD, PASSWORD + " ", "the two entries differ"),
        ("pedicle ledger nina", "pedicle ledger nina", "made of common words"),
    ],
    ids=["too short", "typed differently", "common words"],
)
def test_a_refused_password_says_why_and_leaves_the_invitation_open(
    ledger: Ledger, client: FlaskClient, password: str, again: str, told: str
):
    address = f"/invitation/{an_invitation(ledger, NINA)}"
    token = form_token(client.get(address).text)
    sent = {"csrf_token": token, "password": password, "again": again}
    refused = client.post(address, data=sent)
    assert refused.status_code == 400
    assert told in refused.text.casefold()
    assert 'aria-invalid="true"' in refused.text
    assert password not in refused.text
    assert client.get(address).status_code == 200


def test_an_invitation_runs_out(ledger: Ledger, client: FlaskClient, clock: Clock):
    address = f"/invitation/{an_invitation(ledger, NINA)}"
    clock.instant += timedelta(days=7)
    assert client.get(address).status_code == 403
