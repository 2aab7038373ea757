"""Asked again who it is before what seals or exports: nothing typed is lost on the way."""

from __future__ import annotations

import io
import re
from datetime import timedelta
from html import unescape
from typing import TYPE_CHECKING

import pytest
from flask import request

from registry.domain.tries import CONFIRMATION
from registry.web.guard import PASSWORD_AGAIN, confirmed, signed_in
from tests.build.ledgers import PASSWORD, QUALITY_LEAD, KnownAccount
from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask import Flask
    from flask.testing import FlaskClient

    from tests.web.conftest import Clock

TYPED = {"words": 'two\r\nlines & "quotes" <b>', "choice": ["a", "b"]}


@pytest.fixture
def sealed(app: Flask) -> list[dict[str, list[str]]]:
    """Add a route that asks again, and return what it was sent."""
    received: list[dict[str, list[str]]] = []

    @confirmed(minutes=10)
    @signed_in
    def seal() -> str:
        received.append(request.form.to_dict(flat=False))
        return "sealed"

    app.add_url_rule("/seal", "seal", seal, methods=["GET", "POST"])
    return received


@pytest.fixture
def lead(
    client_of: Callable[[KnownAccount], FlaskClient],
    clock: Clock,
    sealed: list[dict[str, list[str]]],  # noqa: ARG001 - the route is there before the sign-in
) -> FlaskClient:
    """Return a client whose password was entered eleven minutes ago."""
    client = client_of(QUALITY_LEAD)
    clock.instant += timedelta(minutes=11)
    return client


def token_of(client: FlaskClient) -> str:
    return form_token(client.get("/cases/").text)


def held(page: str) -> dict[str, list[str]]:
    """Return the hidden fields of a page, but for the form's token."""
    found: dict[str, list[str]] = {}
    for name, value in re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)">', page):
        found.setdefault(unescape(name), []).append(unescape(value))
    found.pop("csrf_token")
    return found


def test_who_entered_the_password_lately_is_not_asked(
    client_of: Callable[[KnownAccount], FlaskClient], sealed: list[dict[str, list[str]]]
):
    client = client_of(QUALITY_LEAD)
    assert client.post("/seal", data={"csrf_token": token_of(client)}).text == "sealed"
    assert len(sealed) == 1


def test_a_form_is_asked_and_goes_on_with_everything_that_was_typed(
    lead: FlaskClient, sealed: list[dict[str, list[str]]]
):
    asked = lead.post("/seal?of=2026Q3", data={"csrf_token": token_of(lead), **TYPED})
    assert asked.status_code == 403
    assert "Confirm that it is you" in asked.text
    assert sealed == []
    assert 'action="/seal?of=2026Q3"' in asked.text
    assert held(asked.text) == {"words": [TYPED["words"]], "choice": ["a", "b"]}
    again = {"csrf_token": form_token(asked.text), **held(asked.text), PASSWORD_AGAIN: PASSWORD}
    assert lead.post("/seal?of=2026Q3", data=again).text == "sealed"
    assert PASSWORD not in str(sealed)
    assert {**sealed[0], "csrf_token": []} == {
        **held(asked.text),
        "csrf_token": [],
    }
    # And for the next ten minutes it is not asked again.
    assert lead.get("/seal").text == "sealed"


def test_confirming_ends_the_token_that_was_used_until_then(
    lead: FlaskClient, sealed: list[dict[str, list[str]]]
):
    before = lead.get_cookie("signed-in")
    data = {"csrf_token": token_of(lead), PASSWORD_AGAIN: PASSWORD}
    assert lead.post("/seal", data=data).text == "sealed"
    after = lead.get_cookie("signed-in")
    assert before is not None
    assert after is not None
    assert before.value != after.value
    assert lead.get("/cases/").status_code == 200
    lead.set_cookie("signed-in", before.value)
    assert lead.get("/cases/").location.startswith("/sign-in")
    assert sealed


def test_a_wrong_password_seals_nothing_and_five_end_the_session(
    lead: FlaskClient, sealed: list[dict[str, list[str]]]
):
    data = {"csrf_token": token_of(lead), **TYPED, PASSWORD_AGAIN: "not the password at all"}
    for _ in range(CONFIRMATION.allowed):
        asked = lead.post("/seal", data=data)
        assert asked.status_code == 403
        assert "The password is not right." in asked.text
        assert held(asked.text)["words"] == [TYPED["words"]]
        assert "not the password at all" not in asked.text
    data[PASSWORD_AGAIN] = PASSWORD
    assert lead.post("/seal", data=data).status_code == 403
    assert lead.get("/cases/").location.startswith("/sign-in")
    assert sealed == []


def test_a_password_without_the_forms_token_is_not_looked_at(
    lead: FlaskClient, sealed: list[dict[str, list[str]]]
):
    before = lead.get_cookie("signed-in")
    assert lead.post("/seal", data={PASSWORD_AGAIN: PASSWORD}).status_code == 400
    assert lead.get_cookie("signed-in") == before
    assert sealed == []


@pytest.mark.usefixtures("sealed")
def test_a_file_is_opened_once_the_question_is_answered(lead: FlaskClient):
    sent_away = lead.get("/seal?of=2026Q3")
    assert sent_away.location == "/confirm?next=/seal?of%3D2026Q3"
    page = lead.get(sent_away.location).text
    sent = {"csrf_token": form_token(page), **held(page), PASSWORD_AGAIN: PASSWORD}
    answer = lead.post("/confirm", data=sent)
    assert (answer.status_code, answer.location) == (303, "/seal?of=2026Q3")
    assert lead.get(answer.location).text == "sealed"


@pytest.mark.usefixtures("sealed")
def test_a_program_is_told_where_to_confirm(lead: FlaskClient):
    token = token_of(lead)
    answer = lead.post("/seal", json={"a": 1}, headers={"X-CSRFToken": token})
    assert answer.status_code == 403
    assert answer.json is not None
    assert answer.json["problem"] == ["enter the password again first, at /confirm"]


def test_a_form_with_a_file_is_asked_and_says_that_the_file_is_to_be_sent_again(
    lead: FlaskClient, sealed: list[dict[str, list[str]]]
):
    data = {"csrf_token": token_of(lead), "table": (io.BytesIO(b"a,b"), "log.csv")}
    asked = lead.post("/seal", data=data)
    assert "then send it again" in asked.text
    assert 'action="/confirm"' in asked.text
    assert sealed == []


@pytest.mark.parametrize(
    "address", ["https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example"]
)
def test_confirming_never_leads_to_another_site(lead: FlaskClient, address: str):
    page = lead.get("/confirm", query_string={"next": address}).text
    sent = {"csrf_token": form_token(page), "next": address, PASSWORD_AGAIN: PASSWORD}
    assert lead.post("/confirm", data=sent).location == "/"


def test_who_is_not_signed_in_is_led_to_the_sign_in_first(
    client: FlaskClient, sealed: list[dict[str, list[str]]]
):
    assert client.get("/seal").location.startswith("/sign-in")
    assert client.post("/seal").location.startswith("/sign-in")
    assert sealed == []
