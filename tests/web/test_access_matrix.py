"""Every route against every role, from a table that a person can read.

A route that has no line here fails the test: who may open it has to be said first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from flask import url_for

from registry.domain.access import Role
from registry.web.guard import OPEN, guard_of
from tests.build.ledgers import (
    ACCOUNTS,
    QUALITY_LEAD,
    REGISTRAR,
    STEWARD,
    SURGEON,
    KnownAccount,
    an_invitation,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from flask import Flask
    from flask.testing import FlaskClient

    from registry.store.home import Ledger

ALL = frozenset({"registrar", "surgeon", "quality lead", "steward"})
CLINICAL = ALL - {"steward"}
ANYONE = ALL | {"nobody"}
LEAD = frozenset({"quality lead"})
STEWARD_ALONE = frozenset({"steward"})
SURGEON_ALONE = frozenset({"surgeon"})
SEEING_CASES = frozenset({"surgeon", "quality lead"})
LOADING_SCANS = frozenset({"registrar", "quality lead"})
WITHDRAWING = frozenset({"quality lead", "steward"})

# Method and rule: who gets past the guard. From the table of roles in the design, section 7.
MATRIX: dict[tuple[str, str], frozenset[str]] = {
    ("GET", "/static/<path:filename>"): ANYONE,
    ("GET", "/health.json"): ANYONE,
    ("GET", "/sign-in"): ANYONE,
    ("POST", "/sign-in"): ANYONE,
    ("GET", "/invitation/<token>"): ANYONE,
    ("POST", "/invitation/<token>"): ANYONE,
    ("POST", "/sign-out"): ALL,
    ("GET", "/confirm"): ALL,
    ("POST", "/confirm"): ALL,
    ("GET", "/"): ALL,
    ("GET", "/rates"): CLINICAL,
    ("GET", "/rates.csv"): CLINICAL,
    ("GET", "/rates.json"): CLINICAL,
    ("GET", "/rates/chart.svg"): CLINICAL,
    ("GET", "/explore"): CLINICAL,
    ("GET", "/explore/chart.svg"): CLINICAL,
    ("GET", "/explore/screws"): CLINICAL,
    ("GET", "/explore/static/<path:filename>"): ANYONE,
    ("GET", "/compare"): LEAD,
    ("GET", "/compare.csv"): LEAD,
    ("GET", "/compare.json"): LEAD,
    ("GET", "/compare/chart.svg"): LEAD,
    ("GET", "/angles"): LEAD,
    ("GET", "/completeness"): LEAD,
    ("GET", "/completeness.json"): LEAD,
    ("GET", "/surgeons"): SEEING_CASES,
    ("GET", "/surgeons.csv"): SEEING_CASES,
    ("GET", "/surgeons.json"): SEEING_CASES,
    ("GET", "/runs"): SEEING_CASES,
    ("GET", "/runs.json"): SEEING_CASES,
    ("GET", "/case-mix"): LEAD,
    ("GET", "/case-mix.csv"): LEAD,
    ("GET", "/case-mix.json"): LEAD,
    ("GET", "/readers"): CLINICAL,
    ("GET", "/readers.json"): LEAD,
    ("GET", "/known-truth"): LEAD,
    ("GET", "/known-truth.json"): LEAD,
    ("GET", "/practice/"): CLINICAL,
    ("POST", "/practice/begin"): CLINICAL,
    ("GET", "/practice/<int:reading_id>"): CLINICAL,
    ("GET", "/practice/<int:reading_id>/truth.png"): CLINICAL,
    ("GET", "/worklist"): CLINICAL,
    ("GET", "/policy/"): CLINICAL,
    ("GET", "/policy/<int:finding_id>"): CLINICAL,
    ("POST", "/policy/<int:finding_id>"): CLINICAL,
    ("POST", "/policy/<int:finding_id>/close"): LEAD,
    ("GET", "/quarters/"): frozenset({"surgeon", "quality lead"}),
    ("GET", "/quarters/<period>"): LEAD,
    ("POST", "/quarters/<period>"): LEAD,
    ("GET", "/quarters/<period>/report"): LEAD,
    ("GET", "/quarters/<period>/report.<form>"): LEAD,
    ("GET", "/quarters/<period>/closing"): LEAD,
    ("POST", "/quarters/<period>/closing/comment"): LEAD,
    ("POST", "/quarters/<period>/closing/countersign"): LEAD,
    ("POST", "/quarters/<period>/closing/seal"): LEAD,
    ("GET", "/quarters/<period>/closing/again"): LEAD,
    ("POST", "/quarters/<period>/closing/again"): LEAD,
    ("GET", "/quarters/<period>/sealed/<int:part>/<name>"): LEAD,
    ("GET", "/quarters/public_key.pem"): LEAD,
    ("GET", "/quarters/<period>/actions"): LEAD,
    ("POST", "/quarters/<period>/actions"): LEAD,
    ("GET", "/quarters/actions/<int:number>"): LEAD,
    ("POST", "/quarters/actions/<int:number>/end"): LEAD,
    ("POST", "/quarters/actions/<int:number>/replace"): LEAD,
    ("GET", "/quarters/<period>/reply"): frozenset({"surgeon"}),
    ("POST", "/quarters/<period>/reply"): frozenset({"surgeon"}),
    ("POST", "/quarters/<period>/again"): frozenset({"surgeon"}),
    ("GET", "/own/"): SURGEON_ALONE,
    ("GET", "/own/report"): SURGEON_ALONE,
    ("GET", "/own/report.pdf"): SURGEON_ALONE,
    ("GET", "/own/notes/"): SURGEON_ALONE,
    ("POST", "/own/notes/"): SURGEON_ALONE,
    ("GET", "/own/notes/shown"): SEEING_CASES,
    ("GET", "/own/notes/<int:note_id>"): SURGEON_ALONE,
    ("POST", "/own/notes/<int:note_id>"): SURGEON_ALONE,
    ("POST", "/own/notes/<int:note_id>/take-out"): SURGEON_ALONE,
    ("POST", "/own/notes/<int:note_id>/show"): SURGEON_ALONE,
    ("POST", "/own/notes/<int:note_id>/shown/<int:showing_id>/stop"): SURGEON_ALONE,
    ("GET", "/accounts"): STEWARD_ALONE,
    ("GET", "/accounts/invite"): STEWARD_ALONE,
    ("POST", "/accounts/invite"): STEWARD_ALONE,
    ("GET", "/accounts/<int:account_id>"): STEWARD_ALONE,
    ("POST", "/accounts/<int:account_id>/disable"): STEWARD_ALONE,
    ("POST", "/accounts/<int:account_id>/enable"): STEWARD_ALONE,
    ("POST", "/accounts/<int:account_id>/role"): STEWARD_ALONE,
    ("POST", "/accounts/<int:account_id>/role/take"): STEWARD_ALONE,
    ("POST", "/accounts/<int:account_id>/sessions/end"): STEWARD_ALONE,
    ("POST", "/accounts/<int:account_id>/link"): STEWARD_ALONE,
    ("GET", "/account"): ALL,
    ("POST", "/account/password"): ALL,
    ("POST", "/account/sessions/<int:number>/end"): ALL,
    ("POST", "/account/sessions/end-others"): ALL,
    ("GET", "/export"): frozenset({"quality lead"}),
    ("POST", "/export/file"): frozenset({"quality lead"}),
    ("GET", "/meeting-pack/"): SEEING_CASES,
    ("GET", "/meeting-pack/pages"): SEEING_CASES,
    ("POST", "/meeting-pack/file"): SEEING_CASES,
    ("GET", "/scans/static/<path:filename>"): ANYONE,
    ("GET", "/scans/"): LOADING_SCANS,
    ("GET", "/scans/add"): LOADING_SCANS,
    ("POST", "/scans/add"): LOADING_SCANS,
    ("GET", "/scans/<int:arrival_id>"): LOADING_SCANS,
    ("GET", "/scans/<int:arrival_id>.json"): LOADING_SCANS,
    ("POST", "/scans/<int:arrival_id>/held"): LOADING_SCANS,
    ("POST", "/scans/<int:arrival_id>/files"): LOADING_SCANS,
    ("POST", "/scans/<int:arrival_id>/finish"): LOADING_SCANS,
    ("POST", "/scans/<int:arrival_id>/cancel"): LOADING_SCANS,
    ("POST", "/scans/<int:arrival_id>/decide"): LOADING_SCANS,
    ("POST", "/scans/<int:arrival_id>/again"): LOADING_SCANS,
    ("GET", "/cases/"): frozenset({"surgeon", "quality lead"}),
    ("GET", "/cases/<int:case_id>"): frozenset({"surgeon", "quality lead"}),
    ("GET", "/cases/to-correct"): CLINICAL,
    ("GET", "/cases/<int:case_id>/correct"): CLINICAL,
    ("POST", "/cases/<int:case_id>/correct"): CLINICAL,
    ("GET", "/cases/<int:case_id>/screws/add"): CLINICAL,
    ("POST", "/cases/<int:case_id>/screws/add"): CLINICAL,
    ("GET", "/cases/<int:case_id>/screws/<int:screw_id>/correct"): CLINICAL,
    ("POST", "/cases/<int:case_id>/screws/<int:screw_id>/correct"): CLINICAL,
    ("GET", "/cases/<int:case_id>/outcomes/add"): SEEING_CASES,
    ("POST", "/cases/<int:case_id>/outcomes/add"): SEEING_CASES,
    ("GET", "/cases/<int:case_id>/outcomes/<int:outcome_id>/correct"): SEEING_CASES,
    ("POST", "/cases/<int:case_id>/outcomes/<int:outcome_id>/correct"): SEEING_CASES,
    ("GET", "/cases/<int:case_id>/scans/add"): LOADING_SCANS,
    ("POST", "/cases/<int:case_id>/scans/add"): LOADING_SCANS,
    ("GET", "/cases/<int:case_id>/scans/<int:scan_id>/correct"): LOADING_SCANS,
    ("POST", "/cases/<int:case_id>/scans/<int:scan_id>/correct"): LOADING_SCANS,
    ("GET", "/trail/"): ALL,
    ("GET", "/trail/<int:number>"): ALL,
    ("GET", "/withdrawal"): WITHDRAWING,
    ("POST", "/withdrawal"): WITHDRAWING,
    ("GET", "/cases/static/<path:filename>"): ANYONE,
    ("GET", "/cases/new"): CLINICAL,
    ("POST", "/cases/new"): CLINICAL,
    ("POST", "/cases/new/notes.json"): CLINICAL,
    ("GET", "/cases/new/saved/<int:case_id>"): CLINICAL,
    ("GET", "/cases/new/static/<path:filename>"): ANYONE,
    ("GET", "/screws/<int:screw_id>"): frozenset({"surgeon", "quality lead"}),
    ("POST", "/screws/<int:screw_id>/again/<int:reading_id>"): frozenset({"quality lead"}),
    ("GET", "/readings/static/<path:filename>"): ANYONE,
    ("GET", "/readings/<int:reading_id>"): CLINICAL,
    ("GET", "/readings/<int:reading_id>/decided"): CLINICAL,
    ("GET", "/readings/<int:reading_id>/picture.png"): CLINICAL,
    ("GET", "/readings/<int:reading_id>/sections/<int:number>.png"): CLINICAL,
    ("GET", "/readings/<int:reading_id>/along/<across>.png"): CLINICAL,
    ("GET", "/readings/<int:reading_id>/upright.png"): CLINICAL,
    ("GET", "/my-readings/"): CLINICAL,
    ("POST", "/my-readings/<int:reading_id>/again"): CLINICAL,
    ("GET", "/adjudications/"): frozenset({"quality lead"}),
    ("POST", "/adjudications/<int:assignment_id>/appoint"): frozenset({"quality lead"}),
    ("POST", "/adjudications/<int:assignment_id>/take-back"): frozenset({"quality lead"}),
    ("GET", "/second-readings"): frozenset({"quality lead"}),
    ("GET", "/reading/static/<path:filename>"): ANYONE,
    ("GET", "/reading/<int:assignment_id>"): CLINICAL,
    ("GET", "/reading/<int:assignment_id>/metal"): CLINICAL,
    ("GET", "/reading/<int:assignment_id>/plane/<name>"): CLINICAL,
    ("GET", "/reading/<int:assignment_id>/sections"): CLINICAL,
    ("GET", "/reading/<int:assignment_id>/along/<across>"): CLINICAL,
    ("GET", "/reading/<int:assignment_id>/upright"): CLINICAL,
    ("POST", "/reading/<int:assignment_id>/axis"): CLINICAL,
    ("POST", "/reading/<int:assignment_id>/endplate"): CLINICAL,
    ("POST", "/reading/<int:assignment_id>/angles"): CLINICAL,
    ("GET", "/reading/<int:assignment_id>/proposed-axis"): CLINICAL,
    ("GET", "/reading/made/<int:reading_id>"): CLINICAL,
    ("GET", "/reading/made/<int:reading_id>/proposal"): CLINICAL,
    ("POST", "/reading/made/<int:reading_id>/again"): CLINICAL,
    ("POST", "/reading/<int:assignment_id>/measure"): CLINICAL,
    ("GET", "/reading/<int:assignment_id>/draft"): CLINICAL,
    ("POST", "/reading/<int:assignment_id>/draft"): CLINICAL,
    ("POST", "/reading/<int:assignment_id>/save"): CLINICAL,
}
STATIC_FILES = {
    "static": "paper.css",
    "cases.static": "construct.css",
    "entry.static": "entry.css",
    "reading.static": "desk.js",
    "evidence.static": "evidence.css",
}
OPEN_ENDPOINTS = {
    *("static", "health.show", "account.sign_in_page", "account.enter"),
    *("account.invitation", "account.set_password"),
}
ROLES: dict[str, KnownAccount | None] = {
    "registrar": REGISTRAR,
    "surgeon": SURGEON,
    "quality lead": QUALITY_LEAD,
    "steward": STEWARD,
    "nobody": None,
}
INVITED = KnownAccount("nina", frozenset({Role.REGISTRAR}), None)


def routes(app: Flask) -> Iterator[tuple[str, str, str]]:
    for rule in app.url_map.iter_rules():
        for method in sorted((rule.methods or set()) - {"HEAD", "OPTIONS"}):
            yield method, rule.rule, rule.endpoint


def an_address(app: Flask, rule: str, endpoint: str, token: str) -> str:
    values = {"filename": STATIC_FILES.get(endpoint, ""), "token": token}
    found = next(
        each for each in app.url_map.iter_rules() if each.rule == rule and each.endpoint == endpoint
    )
    with app.test_request_context():
        return url_for(endpoint, **{name: values.get(name, 1) for name in found.arguments})


def test_every_route_has_its_line_in_the_matrix(app: Flask):
    assert {(method, rule) for method, rule, _ in routes(app)} == set(MATRIX)


def test_every_route_says_who_may_open_it(app: Flask):
    guards = {endpoint: guard_of(app, endpoint) for _, _, endpoint in routes(app)}
    assert not [endpoint for endpoint, guard in guards.items() if guard is None]


def test_only_what_cannot_hold_a_record_is_open_to_all(app: Flask):
    opened = {
        endpoint
        for _, _, endpoint in routes(app)
        if guard_of(app, endpoint) == OPEN and not endpoint.endswith(".static")
    }
    assert opened == OPEN_ENDPOINTS


@pytest.mark.parametrize("role", ROLES)
def test_each_role_gets_past_exactly_its_own_guards(
    app: Flask,
    ledger: Ledger,
    client: FlaskClient,
    client_of: Callable[[KnownAccount], FlaskClient],
    role: str,
):
    token = an_invitation(ledger, INVITED)
    wrong = []
    account = ROLES[role]
    asking = client if account is None else client_of(account)
    # Signing out comes last: it ends the session of who asks.
    for method, rule, endpoint in sorted(routes(app), key=lambda route: "out" in route[1]):
        address = an_address(app, rule, endpoint, token)
        # Without a form token a change that passed its guard ends with 400.
        answer = asking.open(address, method=method)
        answer.close()
        is_sent_away = answer.status_code in {302, 303} and "/sign-in" in answer.location
        passed = answer.status_code not in {401, 403} and not is_sent_away
        if passed != (role in MATRIX.get((method, rule), frozenset())):
            wrong.append((method, rule, answer.status_code, answer.headers.get("Location")))
    assert not wrong


@pytest.mark.parametrize("account", ACCOUNTS, ids=lambda account: account.name)
def test_a_view_that_does_not_say_who_may_open_it_is_closed_to_all(
    app: Flask, client_of: Callable[[KnownAccount], FlaskClient], account: KnownAccount
):
    app.add_url_rule("/forgotten", "forgotten", lambda: "patients")
    answer = client_of(account).get("/forgotten")
    assert answer.status_code == 403
    assert "patients" not in answer.text


def test_a_program_that_is_not_signed_in_is_told_so_in_json(client: FlaskClient):
    answer = client.get("/rates.json")
    assert answer.status_code == 401
    assert answer.json is not None
    assert answer.json["problem"] == ["sign in first"]
    assert answer.json["reference"]
