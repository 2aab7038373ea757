"""Requests that another site's page, or another's session, has a browser send; and old sessions.

OWASP ASVS 5.0.0: 3.5.1 to 3.5.3 (forged requests), 7.2.4 (fixed sessions), 4.1.3 (a header that
only a proxy may set).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from flask import request
from sqlalchemy import func, select

from registry.store.home import open_ledger
from registry.store.models.people import SignedIn
from registry.web.app import create_app
from tests.build.ledgers import PASSWORD
from tests.web.conftest import ATTACKED_AT
from tests.web.every_route import (
    EVERYTHING,
    QUALITY_LEAD,
    REGISTRAR,
    SURGEON,
    address_of,
    every_route,
    signed_in,
    token_of,
    trail_length,
)
from tests.web.reading_pages import form_token
from tests.web.test_sign_in import enter

if TYPE_CHECKING:
    from flask import Flask

    from registry.store.home import Ledger

FOREIGN = ({"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"})


def state(ledger: Ledger) -> tuple[int, int]:
    """Return how many events and sessions there are."""
    with ledger.reading() as session:
        sessions = session.execute(select(func.count()).select_from(SignedIn)).scalar_one()
    return trail_length(ledger), sessions


def test_no_change_is_taken_without_a_token_or_with_anothers_or_from_another_site(
    attacked_app: Flask, attacked: Ledger
):
    client = signed_in(attacked_app, EVERYTHING)
    others = token_of(signed_in(attacked_app, QUALITY_LEAD))
    own = token_of(client)
    before = state(attacked)
    taken = []
    routes = every_route(attacked_app, "POST", "PUT", "PATCH", "DELETE")
    assert len(routes) > 10
    for route in routes:
        address = address_of(attacked_app, route, 1)
        forged = [
            ("none", {}, {}, None),
            ("another's", {"csrf_token": others}, {}, None),
            ("another's as header", {}, {"X-CSRFToken": others}, {}),
            ("none, as JSON", {}, {}, {"a": 1}),
            *(("own, foreign site", {"csrf_token": own}, headers, None) for headers in FOREIGN),
            ("cut short", {"csrf_token": own[:-1]}, {}, None),
        ]
        for kind, data, headers, document in forged:
            answer = client.open(
                address,
                method=route.method,
                headers=headers,
                **({"data": data} if document is None else {"json": document}),
            )
            if answer.status_code not in {400, 403}:
                taken.append((str(route), kind, answer.status_code))
    assert taken == []
    assert state(attacked) == before
    assert client.get("/account").status_code == 200


def test_no_page_changes_a_record_by_being_opened(attacked_app: Flask, attacked: Ledger):
    client = signed_in(attacked_app, EVERYTHING)
    before = trail_length(attacked)
    noted = set()
    for route in every_route(attacked_app, "GET"):
        client.get(address_of(attacked_app, route, 1)).close()
        if trail_length(attacked) != before:
            noted.add(route.endpoint)
            before = trail_length(attacked)
    assert noted <= NOTING


NOTING = {
    "cases.show",
    "screw.show",
    "corrections.case",
    "corrections.screw",
    "corrections.new_screw",
    "case_scans.scan",
    "case_scans.new_scan",
    "trail.event",
    "policy.show",
    *("explore.screws", "meeting_pack.choose", "meeting_pack.pages"),
}
"""Pages whose opening is an event by design: they open the vault or note that they were seen."""


@pytest.mark.parametrize("planted", ["1.planted", "planted", "", "a" * 4000])
def test_a_session_that_was_planted_before_signing_in_is_not_the_one_after(
    attacked_app: Flask, planted: str
):
    client, thief = attacked_app.test_client(), attacked_app.test_client()
    for each in (client, thief):
        each.set_cookie("signed-in", planted)
    assert enter(client, REGISTRAR.name).status_code == 303
    cookie = client.get_cookie("signed-in")
    assert cookie is not None
    assert cookie.value != planted
    assert thief.get("/account").location.startswith("/sign-in")


def test_a_form_token_that_was_planted_before_signing_in_is_worth_nothing_after(
    attacked_app: Flask,
):
    client = attacked_app.test_client()
    planted = form_token(client.get("/sign-in").text)
    sent = {"csrf_token": planted, "name": REGISTRAR.name, "password": PASSWORD}
    assert client.post("/sign-in", data=sent).status_code == 303
    assert client.post("/sign-out", data={"csrf_token": planted}).status_code == 400
    assert client.get("/account").status_code == 200


def test_a_session_of_one_account_never_becomes_anothers(attacked_app: Flask, attacked: Ledger):
    rita, anna = signed_in(attacked_app, REGISTRAR), signed_in(attacked_app, SURGEON)
    cookie = rita.get_cookie("signed-in")
    assert cookie is not None
    own_number, _, secret = cookie.value.partition(".")
    other = anna.get_cookie("signed-in")
    assert other is not None
    for forged in (
        f"{other.value.partition('.')[0]}.{secret}",
        f"0{own_number}.{secret}",
        f"{cookie.value}x",
        cookie.value[:-1],
        cookie.value.swapcase(),
    ):
        rita.set_cookie("signed-in", forged)
        assert rita.get("/account").location.startswith("/sign-in"), forged
    # 128 bits or more (ASVS 7.2.3): 43 letters of base64 are 256
    assert len(secret) == 43
    assert trail_length(attacked) > 0


@pytest.mark.parametrize(
    "host", ["elsewhere.example", "localhost.elsewhere.example", "127.0.0.1.nip.example", ""]
)
def test_a_host_that_is_not_ours_is_refused(attacked_app: Flask, host: str):
    answer = attacked_app.test_client().get("/sign-in", headers={"Host": host})
    assert answer.status_code == 400
    assert host == "" or host not in answer.text


@pytest.mark.parametrize(
    ("proxies", "sent", "believed"),
    [
        (0, "203.0.113.9", "127.0.0.1"),
        (1, "203.0.113.9", "203.0.113.9"),
        (1, "198.51.100.7, 203.0.113.9", "203.0.113.9"),
        (2, "192.0.2.1, 198.51.100.7, 203.0.113.9", "198.51.100.7"),
        (2, "203.0.113.9", "127.0.0.1"),
    ],
)
def test_only_what_a_trusted_proxy_says_of_the_client_is_believed(
    attacked: Ledger, proxies: int, sent: str, believed: str
):
    settings = {"PROXIES": str(proxies), "HOSTS": "ledger.example.org", "BEHIND_HTTPS": "yes"}
    environment = {f"PEDICLE_LEDGER_{name}": value for name, value in settings.items()}
    ledger = open_ledger(attacked.home, environment)
    app = create_app(ledger, clock=lambda: ATTACKED_AT)
    seen = []
    app.before_request(lambda: seen.append(request.remote_addr))
    headers = {
        "X-Forwarded-For": sent,
        "X-Forwarded-Host": "elsewhere.example",
        "X-Forwarded-Proto": "http",
        "Host": "ledger.example.org",
    }
    answer = app.test_client().get("/sign-in", headers=headers)
    ledger.close()
    assert answer.status_code == 200
    assert "Strict-Transport-Security" in answer.headers
    assert seen == [believed]
