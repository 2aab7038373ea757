"""One's own account: where it is signed in, and another password."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import TYPE_CHECKING

from registry.domain.passwords import SHORTEST
from tests.build.ledgers import PASSWORD, REGISTRAR, SURGEON, KnownAccount
from tests.web.reading_pages import form_token, table_rows
from tests.web.test_sign_in import enter

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask import Flask
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from tests.web.conftest import Clock

    ClientOf = Callable[[KnownAccount], FlaskClient]

FIREFOX = "Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101 Firefox/140.0"
OTHER_PASSWORD = "nine slow otters below the mill"


def post(client: FlaskClient, address: str, **data: str) -> TestResponse:
    token = form_token(client.get("/account").text)
    return client.post(address, data={"csrf_token": token, **data})


def end_addresses(client: FlaskClient) -> list[str]:
    return re.findall(r'action="(/account/sessions/\d+/end)"', client.get("/account").text)


def test_each_session_is_listed_with_its_browser_and_when(
    app: Flask, client_of: ClientOf, clock: Clock
):
    other = app.test_client()
    other.environ_base["HTTP_USER_AGENT"] = FIREFOX
    assert enter(other, "rita").status_code == 303
    clock.instant += timedelta(minutes=5)
    client_of(SURGEON)
    page = client_of(REGISTRAR).get("/account").text
    assert table_rows(page)[1:] == [
        ["another browser or program", "2026-03-02 10:35", "2026-03-02 10:35", "this one"],
        ["Firefox on Linux", "2026-03-02 10:30", "2026-03-02 10:30", "End"],
    ]
    assert "2 open sessions" in page
    # Neither the token nor what is kept of it stands in the page.
    assert not re.search(r"[0-9a-f]{64}", page)


def test_one_session_is_ended_and_the_others_go_on(client_of: ClientOf):
    first, second, third = (client_of(REGISTRAR) for _ in range(3))
    address = end_addresses(third)[0]
    answer = post(third, address)
    assert answer.location == "/account?news=session-ended"
    assert "The session has ended." in third.get(answer.location).text
    still_in = [client.get("/worklist").status_code for client in (first, second, third)]
    assert sorted(still_in) == [200, 200, 302]
    assert still_in[2] == 200
    assert post(third, address).status_code == 404


def test_all_other_sessions_are_ended_at_once(client_of: ClientOf):
    first, second, third = (client_of(REGISTRAR) for _ in range(3))
    surgeon = client_of(SURGEON)
    assert post(third, "/account/sessions/end-others").status_code == 303
    found = [c.get("/worklist").status_code for c in (first, second, third, surgeon)]
    assert found == [302, 302, 200, 200]


def test_nobody_ends_the_session_of_another(client_of: ClientOf):
    rita = [client_of(REGISTRAR) for _ in range(2)]
    anna = client_of(SURGEON)
    for address in end_addresses(rita[0]):
        assert post(anna, address).status_code == 404
    assert [client.get("/worklist").status_code for client in rita] == [200, 200]


def test_ending_a_session_asks_for_the_password_where_it_was_entered_long_ago(
    client_of: ClientOf, clock: Clock
):
    # OWASP ASVS 5.0.0, 7.5.2: having authenticated again
    client_of(REGISTRAR)
    client = client_of(REGISTRAR)
    clock.instant += timedelta(minutes=11)
    (address,) = end_addresses(client)
    assert "Confirm that it is you" in post(client, address).text
    assert end_addresses(client) == [address]


def test_another_password_needs_the_old_one_and_ends_the_other_sessions(
    app: Flask, client_of: ClientOf
):
    # OWASP ASVS 5.0.0, 6.2.2, 6.2.3 and 7.4.3
    other, client = client_of(REGISTRAR), client_of(REGISTRAR)
    before = client.get_cookie("signed-in")
    sent = {"old": PASSWORD, "password": OTHER_PASSWORD, "again": OTHER_PASSWORD}
    answer = post(client, "/account/password", **sent)
    assert answer.location == "/account?news=password-changed"
    assert client.get("/worklist").status_code == 200
    assert other.get("/worklist").status_code == 302
    after = client.get_cookie("signed-in")
    assert before is not None
    assert after is not None
    assert before.value != after.value
    fresh = app.test_client()
    assert enter(fresh, "rita", PASSWORD).status_code == 403
    assert enter(fresh, "rita", OTHER_PASSWORD).status_code == 303


def test_a_refused_new_password_says_why_and_changes_nothing(app: Flask, client_of: ClientOf):
    client = client_of(REGISTRAR)
    for old, new, again, status, told in (
        ("not the password at all", OTHER_PASSWORD, OTHER_PASSWORD, 403, "is not right"),
        (PASSWORD, OTHER_PASSWORD, PASSWORD, 400, "The two entries differ"),
        (PASSWORD, "short", "short", 400, f"{SHORTEST} characters or more"),
    ):
        answer = post(client, "/account/password", old=old, password=new, again=again)
        assert answer.status_code == status
        assert told in answer.text
        assert not any(secret in answer.text for secret in (old, new) if len(secret) > 5)
    assert enter(app.test_client(), "rita", PASSWORD).status_code == 303
