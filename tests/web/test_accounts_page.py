"""The steward's list of accounts."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from registry.domain.access import Role
from registry.store.queries.accounts import listed_accounts
from registry.web.guard import PASSWORD_AGAIN, confirmed_minutes_of
from tests.build.ledgers import (
    NOW,
    PASSWORD,
    REGISTRAR,
    STEWARD,
    SURGEON,
    KnownAccount,
    an_invitation,
    disable,
    viewer,
)
from tests.web.reading_pages import form_token, table_rows
from tests.web.test_sign_in import enter

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask import Flask
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from registry.store.home import Ledger
    from tests.web.conftest import Clock


def test_the_steward_sees_who_can_sign_in_and_as_what(
    ledger: Ledger, client_of: Callable[[KnownAccount], FlaskClient], clock: Clock
):
    token = an_invitation(ledger, KnownAccount("nina", frozenset({Role.REGISTRAR}), None))
    disable(ledger, SURGEON)
    page = client_of(STEWARD).get("/accounts").text
    assert table_rows(page)[1:] == [
        ["anna", "Anna Berg", "surgeon", "disabled"],
        ["lena", "Lena Lead", "quality lead", "can sign in"],
        ["local operator", "nobody", "none", "the shell's own, cannot sign in"],
        [
            *("nina", "nobody", "registrar"),
            "invited, no password yet; the link works until 2026-03-09 09:30",
        ],
        ["rita", "Rita Reader", "registrar", "can sign in"],
        ["stefan", "nobody", "steward", "can sign in"],
    ]
    assert token not in page
    assert PASSWORD not in page
    clock.instant += timedelta(days=8)
    later = table_rows(client_of(STEWARD).get("/accounts").text)
    assert later[4][3] == "invitation too old"


def test_who_does_not_manage_accounts_sees_their_own_alone(ledger: Ledger):
    with ledger.reading() as session:
        found = listed_accounts(session, viewer(ledger, REGISTRAR), NOW)
    assert [account.name for account in found] == ["rita"]


def post(client: FlaskClient, address: str, **data: object) -> TestResponse:
    token = form_token(client.get("/accounts/invite").text)
    return client.post(address, data={"csrf_token": token, **data})


def number_of(ledger: Ledger, account: KnownAccount) -> int:
    return viewer(ledger, account).account_id


def test_the_steward_invites_and_the_link_is_shown_this_once(
    app: Flask, client_of: Callable[[KnownAccount], FlaskClient]
):
    steward = client_of(STEWARD)
    sent = {"name": "nia", "person": "Nia Newly", "new_person": "yes", "role": ["registrar"]}
    shown = post(steward, "/accounts/invite", **sent)
    assert shown.status_code == 200
    link = re.search(r'value="http://localhost(/invitation/[^"]+)"', shown.text)
    assert link
    assert "works once, within 7 days" in shown.text
    assert link.group(1) not in steward.get("/accounts").text
    newcomer = app.test_client()
    page = newcomer.get(link.group(1))
    assert "Set a password for nia" in page.text
    sent = {"csrf_token": form_token(page.text), "password": PASSWORD, "again": PASSWORD}
    assert newcomer.post(link.group(1), data=sent).status_code == 303
    assert enter(newcomer, "nia").status_code == 303


@pytest.mark.parametrize(
    ("sent", "told"),
    [
        ({"name": "nia", "person": ""}, "an account needs a role"),
        ({"name": "nia", "role": ["emperor"]}, "there is no role"),
        ({"name": "", "role": ["registrar"]}, "a name of 1 to 100 characters"),
        ({"name": "nia", "role": ["registrar"], "person": "Nia Newly"}, "nobody is known as"),
        ({"name": "rita", "role": ["steward"]}, "there is an account &#39;rita&#39; already"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_an_invitation_that_cannot_be_says_why_and_keeps_what_was_typed(
    client_of: Callable[[KnownAccount], FlaskClient], sent: dict[str, object], told: str
):
    answer = post(client_of(STEWARD), "/accounts/invite", **sent)
    assert answer.status_code in {400, 409}
    assert told in answer.text
    assert f'name="name" type="text" autocomplete="off" value="{sent["name"]}"' in answer.text


def test_the_steward_changes_an_account_with_a_reason(
    app: Flask, ledger: Ledger, client_of: Callable[[KnownAccount], FlaskClient]
):
    steward, rita = client_of(STEWARD), client_of(REGISTRAR)
    place = f"/accounts/{number_of(ledger, REGISTRAR)}"
    page = steward.get(place).text
    assert table_rows(page)[1][0] == "another browser or program"
    assert "1 open session" in page
    refused = post(steward, f"{place}/disable", reason=" ")
    assert refused.status_code == 400
    assert "a change of an account needs its reason" in refused.text
    for change, news, told in (
        ("sessions/end", "sessions-ended", "Every session of the account has ended."),
        ("role", "role-given", "The role is given; it holds from the next sign-in."),
        ("disable", "disabled", "The account is disabled; it cannot sign in"),
        ("enable", "enabled", "The account can sign in again."),
    ):
        answer = post(steward, f"{place}/{change}", reason="as agreed", role="quality lead")
        assert answer.location == f"{place}?news={news}"
        assert told in steward.get(answer.location).text
        assert rita.get("/worklist").status_code == 302
    assert enter(app.test_client(), "rita").status_code == 303
    assert viewer(ledger, REGISTRAR).roles == {Role.REGISTRAR, Role.QUALITY_LEAD}
    assert post(steward, f"{place}/role", reason="x", role="emperor").status_code == 400
    assert post(steward, f"{place}/enable", reason="x").status_code == 409


def test_a_link_from_the_page_ends_the_password_where_others_may_know_it(
    app: Flask, ledger: Ledger, client_of: Callable[[KnownAccount], FlaskClient]
):
    steward = client_of(STEWARD)
    place = f"/accounts/{number_of(ledger, REGISTRAR)}/link"
    first = post(steward, place, reason="forgotten")
    assert "/invitation/" in first.text
    assert enter(app.test_client(), "rita").status_code == 303
    second = post(steward, place, reason="seen on a note", ends_password="yes")
    link = re.search(r"/invitation/[^\"]+", second.text)
    assert link
    assert enter(app.test_client(), "rita").status_code == 403
    assert app.test_client().get(link.group(0)).status_code == 200


def test_the_last_steward_and_the_shell_are_not_locked_out(
    ledger: Ledger, client_of: Callable[[KnownAccount], FlaskClient]
):
    steward = client_of(STEWARD)
    answer = post(steward, f"/accounts/{number_of(ledger, STEWARD)}/disable", reason="tired")
    assert answer.status_code == 400
    assert "tefan is the last who can sign in as a steward" in answer.text
    assert 'value="tired"' in answer.text
    page = steward.get("/accounts/1").text
    assert "stays as it is" in page
    assert "<form" not in page.partition("<main")[2]
    assert steward.get("/accounts").status_code == 200


def test_what_changes_an_account_asks_for_the_password_again(
    app: Flask,
    ledger: Ledger,
    client_of: Callable[[KnownAccount], FlaskClient],
    clock: Clock,
):
    asking = {
        rule.endpoint
        for rule in app.url_map.iter_rules()
        if rule.endpoint.startswith("accounts.") and "POST" in (rule.methods or ())
    }
    assert len(asking) == 7
    assert {confirmed_minutes_of(app, endpoint) for endpoint in asking} == {10}
    steward = client_of(STEWARD)
    clock.instant += timedelta(minutes=11)
    place = f"/accounts/{number_of(ledger, REGISTRAR)}/disable"
    asked = post(steward, place, reason="left")
    assert asked.status_code == 403
    assert "Confirm that it is you" in asked.text
    answer = post(steward, place, reason="left", **{PASSWORD_AGAIN: PASSWORD})
    assert answer.location.endswith("?news=disabled")
