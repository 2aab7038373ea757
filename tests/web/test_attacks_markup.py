"""Markup and script in every text of the ledger, shown on every page to every role.

OWASP ASVS 5.0.0: 1.2.1 and 1.2.3 (escaping), 3.2.2 (text stays text), 3.4.3 (content policy).
"""

from __future__ import annotations

import json
import sqlite3
from threading import Thread
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import CheckConstraint, String
from werkzeug.serving import make_server

from registry.store.columns import Secret
from registry.store.home import open_ledger
from registry.store.models import every
from registry.store.models.base import Base
from registry.web.app import create_app
from tests.web.conftest import ATTACKED_AT
from tests.web.every_route import (
    EACH_ROLE,
    EVERYTHING,
    NUMBERS,
    address_of,
    every_route,
    signed_in,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from flask import Flask
    from flask.testing import FlaskClient
    from playwright.sync_api import Browser
    from sqlalchemy import Column

    from registry.store.home import Ledger

assert every.__doc__  # so that every record's table is known

# Not words but codes, which the program reads back and refuses or never shows: digests, the
# trail's own lines, JSON, seeds, and the few texts of a closed list that no check names.
CODES = {
    *("event.at", "event.record", "event.before", "event.after", "event.previous", "event.digest"),
    *("trail_head.head", "trail_head.seal", "unit_settings.written", "signed_in.token_digest"),
    *("sign_in_failure.name", "sign_in_failure.address_hash", "image.digest"),
    *("patient.reference_hash", "scan.series_hash", "vault_entry.matching_hash"),
    *("screw.level", "screw.entry_technique", "consensus.reading_ids", "consensus.rule_version"),
    *("reading.marks", "draw.seed", "draw.period", "rereading.seed", "reply_round.period"),
}
MARKUP = "\"'><img src=x onerror=alert(1)><b id=planted>{{7*7}}</b>"
LISTS = {"scan.warnings"}
"""Columns whose texts stand in a list."""
PLANTED = ("<img src=x", "<b id=planted", "{{7*7}}</b>", ">49<")
"""What stands in a page only where the text was not escaped."""


def words() -> list[tuple[str, Column[object]]]:
    """Return every column that holds somebody's words."""
    found: list[tuple[str, Column[object]]] = []
    for table in Base.metadata.sorted_tables:
        closed = {
            column.name
            for check in table.constraints
            if isinstance(check, CheckConstraint)
            for column in table.columns
            if f"{column.name} IN (" in str(check.sqltext)
        }
        found += [
            (table.name, column)
            for column in table.columns
            if isinstance(column.type, String)
            and not isinstance(column.type, Secret)
            and column.name not in closed
            and f"{table.name}.{column.name}" not in CODES
        ]
    return found


@pytest.fixture
def planted(attacked: Ledger) -> Iterator[Flask]:
    """Give an application whose every text is markup, the unit's name too."""
    database = sqlite3.connect(attacked.home / "ledger.sqlite")
    # The trail refuses what comes past it; here it is the pages that are tried.
    triggers = [
        row[0] for row in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
    ]
    for trigger in triggers:
        database.execute(f'DROP TRIGGER "{trigger}"')
    database.execute("PRAGMA ignore_check_constraints = ON")
    for table, column in words():
        length = getattr(column.type, "length", None) or 500
        for (row,) in database.execute(f'SELECT rowid FROM "{table}"').fetchall():  # noqa: S608 - our own tables
            text = f"{row}{MARKUP}"[:length]
            if f"{table}.{column.name}" in LISTS:
                text = json.dumps([text])
            database.execute(
                f'UPDATE "{table}" SET "{column.name}" = ? WHERE rowid = ?',  # noqa: S608 - same
                (text, row),
            )
    database.commit()
    database.close()
    opened = open_ledger(attacked.home, {"PEDICLE_LEDGER_UNIT_NAME": MARKUP})
    yield create_app(opened, clock=lambda: ATTACKED_AT)
    opened.close()


@pytest.fixture
def sign_everyone_in(attacked_app: Flask) -> dict[str, str]:
    """Return the session's token of each role, begun before the names were planted."""
    tokens = {}
    for account in (*EACH_ROLE, EVERYTHING):
        cookie = signed_in(attacked_app, account).get_cookie("signed-in")
        assert cookie is not None
        tokens[account.name] = cookie.value
    return tokens


def with_token(app: Flask, token: str) -> FlaskClient:
    client = app.test_client()
    client.set_cookie("signed-in", token)
    return client


def test_every_column_of_words_is_planted():
    named = {f"{table}.{column.name}" for table, column in words()}
    assert {"person.name", "account.name", "operation.reference", "reading.note"} <= named
    assert not named & CODES
    known = {
        f"{table.name}.{column.name}"
        for table in Base.metadata.sorted_tables
        for column in table.columns
    }
    assert known >= CODES


def test_markup_in_any_text_stays_text_on_every_page_of_every_role(
    sign_everyone_in: dict[str, str], planted: Flask
):
    wrong, escaped = [], 0
    for name, token in sign_everyone_in.items():
        client = with_token(planted, token)
        for route in every_route(planted, "GET"):
            if route.is_static:
                continue
            for number in NUMBERS[:2] if route.numbers else NUMBERS[:1]:
                answer = client.get(address_of(planted, route, number))
                text = answer.data.decode("utf-8", "replace")
                if answer.mimetype in {"text/html", "image/svg+xml"}:
                    escaped += "&lt;img src=x" in text
                    wrong += [(name, str(route), mark) for mark in PLANTED if mark in text]
                if answer.status_code >= 500:
                    wrong.append((name, str(route), str(answer.status_code)))
    assert wrong == []
    assert escaped > 10


@pytest.mark.browser
def test_nothing_planted_runs_in_chromium(
    sign_everyone_in: dict[str, str], planted: Flask, browser: Browser
):
    server = make_server("127.0.0.1", 0, planted, threaded=True)
    thread = Thread(target=server.serve_forever)
    thread.start()
    site = f"http://127.0.0.1:{server.server_port}"
    context = browser.new_context(base_url=site)
    try:
        context.add_cookies(
            [{"name": "signed-in", "value": sign_everyone_in[EVERYTHING.name], "url": site}]
        )
        page = context.new_page()
        said: list[str] = []
        page.on("dialog", lambda dialog: (said.append(dialog.message), dialog.dismiss()))
        page.on(
            "console",
            lambda message: (
                said.append(message.text) if "Content Security" in message.text else None
            ),
        )
        opened = 0
        for route in every_route(planted, "GET"):
            if route.is_static or route.texts:
                continue
            answer = context.request.get(address := address_of(planted, route, 1), max_redirects=0)
            if answer.status == 200 and "text/html" in answer.headers["content-type"]:
                # The same answer, as it came: made once, its headers with it.
                page.route(
                    site + address, lambda route, _, came=answer: route.fulfill(response=came)
                )
                page.goto(address, wait_until="load")
                assert page.locator("#planted").count() == 0, address
                opened += 1
        assert said == []
        assert opened >= 6
    finally:
        context.close()
        server.shutdown()
        thread.join()
        server.server_close()
