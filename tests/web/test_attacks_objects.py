"""Another's record by its number in the address, in a form or in JSON; fields nobody asked for.

OWASP ASVS 5.0.0: 8.2.2 (records), 8.2.3 (fields), 15.3.3 (mass assignment).
"""

from __future__ import annotations

import json
import re
import shutil
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import select

from registry.domain.access import Deed, Reach, reach
from registry.store.home import open_ledger
from registry.store.models.cases import Case
from registry.store.models.trail import EventRow
from registry.store.visible import readable_assignments, visible_cases
from registry.web.app import create_app
from tests.build.ledgers import viewer
from tests.web.conftest import ATTACKED_AT
from tests.web.every_route import (
    CASES,
    EACH_ROLE,
    EVERYTHING,
    NUMBERS,
    OWN_CASES,
    SURGEON,
    address_of,
    every_route,
    forms_of,
    pages,
    signed_in,
    token_of,
    trail_length,
)

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from flask import Flask

    from registry.store.home import Ledger
    from tests.build.ledgers import KnownAccount

REFERENCE = re.compile(r"\bOP-\d+\b")
BLIND = {"reading", "worklist"}
"""Where nobody is told which case it is, whatever they may see elsewhere."""

UNASKED = {
    "id": "1",
    "version": "99",
    "account_id": "1",
    "person_id": "1",
    "reader_id": "1",
    "recorded_by_id": "1",
    "entered_by_id": "1",
    "surgeon_id": "1",
    "operator_id": "1",
    "patient_id": "1",
    "case_id": "2",
    "screw_id": "6",
    "scan_id": "2",
    "is_blind": "yes",
    "is_disabled": "no",
    "is_local_operator": "yes",
    "is_adequate": "yes",
    "password_hash": "x",
    "confirmed_at": "2099-01-01",
    "expires_at": "2099-01-01",
    "actor": "somebody else",
    "grade": "A",
    "reading_role": "adjudication",
    "removed_at": "2026-01-01",
    "withdrawn_at": "2026-01-01",
    "supersedes_id": "1",
    "__class__": "x",
}


def shown(viewing: KnownAccount, ledger: Ledger, endpoint: str) -> set[str]:
    """Return the references of cases that an account may be shown at an endpoint."""
    if endpoint.partition(".")[0] in BLIND:
        return set()
    asking = viewer(ledger, viewing)
    if reach(asking, Deed.ENTER_CASES) is Reach.ALL:
        return CASES
    with ledger.reading() as session:
        return {case.reference for case in session.execute(visible_cases(asking)).scalars()}


def test_the_rows_behind_the_attacks_are_there(attacked: Ledger):
    assert shown(SURGEON, attacked, "cases.case") == OWN_CASES[SURGEON] < CASES
    with attacked.reading() as session:
        found = session.execute(select(Case.reference).order_by(Case.id)).scalars().all()
    assert found == sorted(CASES)


@pytest.mark.parametrize("account", EACH_ROLE, ids=lambda account: account.name)
def test_no_address_shows_a_case_to_whoever_may_not_see_it(
    attacked_app: Flask, attacked: Ledger, account: KnownAccount
):
    client = signed_in(attacked_app, account)
    wrong = []
    for route in every_route(attacked_app, "GET"):
        if route.is_static:
            continue
        allowed = shown(account, attacked, route.endpoint)
        for number in NUMBERS if route.numbers else NUMBERS[:1]:
            answer = client.get(address_of(attacked_app, route, number))
            foreign = set(REFERENCE.findall(answer.data.decode("utf-8", "replace"))) - allowed
            if foreign or answer.status_code >= 500:
                wrong.append((str(route), number, answer.status_code, foreign))
    assert wrong == []


@pytest.mark.parametrize("account", EACH_ROLE, ids=lambda account: account.name)
def test_no_number_in_an_address_changes_what_its_sender_may_not_reach(
    attacked_app: Flask, attacked: Ledger, account: KnownAccount
):
    client, asking = signed_in(attacked_app, account), viewer(attacked, account)
    token = token_of(client)
    with attacked.reading() as session:
        reachable = {
            "case_id": {row.id for row in session.execute(visible_cases(asking)).scalars()},
            "assignment_id": {
                row.id for row in session.execute(readable_assignments(asking)).scalars()
            },
        }
    if reach(asking, Deed.ENTER_CASES) is Reach.ALL:
        reachable["case_id"] = set(NUMBERS)
    wrong = []
    for route in every_route(attacked_app, "POST"):
        if "sign-out" in route.rule:
            continue
        for number in NUMBERS if route.numbers else NUMBERS[:1]:
            foreign = [
                name for name in route.numbers if number not in reachable.get(name, {number})
            ]
            before = trail_length(attacked)
            answer = client.post(
                address_of(attacked_app, route, number),
                data={"csrf_token": token, "reason": "as agreed"},
            )
            changed = trail_length(attacked) != before
            is_refused = answer.status_code in {400, 403, 404, 409, 415}
            if answer.status_code >= 500 or (foreign and (changed or not is_refused)):
                wrong.append((str(route), number, answer.status_code, changed))
    assert wrong == []


@pytest.mark.parametrize("account", EACH_ROLE, ids=lambda account: account.name)
def test_no_json_is_answered_with_a_failure_or_for_anothers_record(
    attacked_app: Flask, attacked: Ledger, account: KnownAccount
):
    client = signed_in(attacked_app, account)
    headers = {"X-CSRFToken": token_of(client)}
    documents: tuple[Any, ...] = ({}, [], None, 1, "x", UNASKED, {"a": [UNASKED]}, {"x": "\udcff"})
    wrong = []
    before = trail_length(attacked)
    for route in every_route(attacked_app, "POST"):
        if "sign-out" in route.rule or not route.numbers:
            continue
        for document in documents:
            answer = client.post(
                address_of(attacked_app, route, 5),
                data=json.dumps(document),
                headers=headers,
                content_type="application/json",
            )
            if answer.status_code >= 500:
                wrong.append((str(route), document, answer.status_code))
    assert wrong == []
    assert trail_length(attacked) == before


def events_after(ledger: Ledger, length: int) -> list[tuple[str, ...]]:
    """Return what was changed since, each row as it was left, without what is drawn by chance."""
    with ledger.reading() as session:
        rows = session.execute(
            select(EventRow.actor, EventRow.verb, EventRow.record, EventRow.after, EventRow.reason)
            .where(EventRow.sequence > length)
            .order_by(EventRow.sequence)
        ).all()
    return [
        tuple(re.sub(r'"keyed:[0-9a-f]+"', '"keyed"', str(part)) for part in row) for row in rows
    ]


def sent(
    home: Path, folder: Path, address: str, fields: list[tuple[str, str]]
) -> tuple[int, list[tuple[str, ...]]]:
    """Send a form to a copy of the ledger of its own; return the status and what it changed."""
    shutil.copytree(home, folder)
    ledger = open_ledger(folder, {})
    client = signed_in(create_app(ledger, clock=lambda: ATTACKED_AT), EVERYTHING)
    data: dict[str, list[str]] = {"csrf_token": [token_of(client)]}
    for name, value in fields:
        data.setdefault(name, []).append(value)
    before = trail_length(ledger)
    status = client.post(address, data=data).status_code
    changed = events_after(ledger, before)
    ledger.close()
    shutil.rmtree(folder)
    return status, changed


def test_a_form_with_fields_that_nobody_asked_for_changes_the_same(
    attacked_home: Path, attacked_app: Flask, tmp_path: Path
):
    client = signed_in(attacked_app, EVERYTHING)
    tried: set[str] = set()
    changing = 0
    for address, page in pages(attacked_app, client):
        for form in forms_of(page):
            action = form.action or address
            shape = re.sub(r"\d+", "0", action)
            if shape in tried or "sign-out" in action:
                continue
            tried.add(shape)
            unasked = [(name, value) for name, value in UNASKED.items() if name not in form.names]
            plain = sent(attacked_home, tmp_path / "plain", action, form.fields)
            stuffed = sent(attacked_home, tmp_path / "stuffed", action, [*form.fields, *unasked])
            assert plain == stuffed, action
            assert plain[0] < 500, action
            changing += bool(plain[1])
    assert len(tried) >= 6
    assert changing >= 3


def test_whoever_invites_or_confirms_gives_nobody_more_than_the_form_says(
    attacked_home: Path, tmp_path: Path
):
    fields: Mapping[str, str] = {"name": "nia", "person": "", "role": "registrar"}
    pairs = [*fields.items(), *(pair for pair in UNASKED.items()), ("roles", "steward")]
    status, changed = sent(attacked_home, tmp_path / "invited", "/accounts/invite", pairs)
    assert status == 200
    assert [verb for _, verb, *_ in changed] == ["invite", "give a role"]
    account, role = (json.loads(after) for _, _, _, after, _ in changed)
    assert account["is_local_operator"] == account["is_disabled"]
    assert not account["is_local_operator"]
    assert account["person_id"] is None
    assert account["version"] == 1
    assert role["role"] == "registrar"
    assert role["account_id"] == account["id"] > 1
