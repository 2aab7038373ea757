"""Every route of the application, whatever it is: its addresses, its forms, and who is let in.

The attacks are driven from the application's own map of routes, so that a new one is attacked
without anybody thinking of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import TYPE_CHECKING
from unittest import mock

from argon2 import PasswordHasher
from flask import url_for
from sqlalchemy import select
from werkzeug.routing import IntegerConverter

from registry.actions import accounts_secrets
from registry.actions.accounts import accept_invitation, acting, invite
from registry.actions.initialise import initialise
from registry.domain.access import Role
from registry.store.models.trail import TrailHead
from tests.build.ledgers import PASSWORD, KnownAccount
from tests.build.loaded import NOW, fill
from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from flask import Flask
    from flask.testing import FlaskClient
    from werkzeug.routing import Rule

    from registry.store.home import Ledger

REGISTRAR = KnownAccount("nora", frozenset({Role.REGISTRAR}), "Nora Newly")
SURGEON = KnownAccount("anna", frozenset({Role.SURGEON}), "Anna Berg")
QUALITY_LEAD = KnownAccount("lena", frozenset({Role.QUALITY_LEAD}), "Lena Lead")
STEWARD = KnownAccount("stig", frozenset({Role.STEWARD}), None)
EVERYTHING = KnownAccount("olga", frozenset(Role), "Olga Allin")
"""Gets past every guard, so that what is behind the guard is attacked."""

EACH_ROLE = (REGISTRAR, SURGEON, QUALITY_LEAD, STEWARD)
OWN_CASES = {SURGEON: {"OP-1", "OP-4", "OP-5"}}
CASES = {"OP-1", "OP-2", "OP-3", "OP-4", "OP-5"}
NUMBERS = (1, 2, 3, 5, 6, 2**31 - 1)
"""Records that are there, among them others' own, and one that is not."""


def an_attacked_ledger(home: Path, folder: Path) -> None:
    """Make a ledger with a row of every record, and an account of each role and of all."""
    quick = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
    with mock.patch.object(accounts_secrets, "HASHER", quick):
        ledger = initialise(home, {}, NOW)
        fill(ledger, folder)
        for account in (*EACH_ROLE, EVERYTHING):
            token = invite(
                ledger,
                acting(ledger, None),
                account.name,
                account.roles,
                person=account.person,
                now=NOW,
                new_person=True,
            )
            accept_invitation(ledger, token, PASSWORD, NOW)
        ledger.close()


@dataclass(frozen=True)
class Route:
    """One method of one rule.

    Attributes
    ----------
    method, rule, endpoint : as the application knows them
    numbers, texts : names of the arguments that are records' numbers, and of the others
    """

    method: str
    rule: str
    endpoint: str
    numbers: tuple[str, ...]
    texts: tuple[str, ...]

    @property
    def is_static(self) -> bool:
        return self.endpoint.rpartition(".")[2] == "static"

    def __str__(self) -> str:
        return f"{self.method} {self.rule}"


def every_route(app: Flask, *methods: str) -> list[Route]:
    """Return the routes of these methods; signing out comes last, because it ends the session."""
    found = [
        Route(method, rule.rule, rule.endpoint, *_arguments(rule))
        for rule in app.url_map.iter_rules()
        for method in sorted((rule.methods or set()) - {"HEAD", "OPTIONS"})
        if method in methods
    ]
    return sorted(found, key=lambda route: ("sign-out" in route.rule, route.rule))


def _arguments(rule: Rule) -> tuple[tuple[str, ...], tuple[str, ...]]:
    numbers = {n for n, kind in rule._converters.items() if isinstance(kind, IntegerConverter)}
    return tuple(sorted(numbers)), tuple(sorted(rule.arguments - numbers))


def address_of(app: Flask, route: Route, number: int, text: str = "x") -> str:
    """Return a route's address with every number and every text in it being this one."""
    values = dict.fromkeys(route.numbers, number) | dict.fromkeys(route.texts, text)
    with app.test_request_context():
        return url_for(route.endpoint, **values)


def signed_in(app: Flask, account: KnownAccount) -> FlaskClient:
    """Return a client that has signed in through the form."""
    client = app.test_client()
    token = form_token(client.get("/sign-in").text)
    sent = {"csrf_token": token, "name": account.name, "password": PASSWORD}
    assert client.post("/sign-in", data=sent).status_code == 303
    return client


def token_of(client: FlaskClient) -> str:
    """Return a form token of who is signed in."""
    return form_token(client.get("/account").text)


def trail_length(ledger: Ledger) -> int:
    """Return how many events there are: every change of a record is one."""
    with ledger.reading() as session:
        return session.execute(select(TrailHead.length)).scalar_one()


@dataclass
class Form:
    """A form of a page, as a browser would send it.

    Attributes
    ----------
    action : where it goes, or '' for its own page
    fields : names and values, the form's token left out
    names : of every control, also of those that send nothing as they are
    """

    action: str
    fields: list[tuple[str, str]] = field(default_factory=list)
    names: set[str] = field(default_factory=set)
    is_post: bool = False


def forms_of(page: str) -> list[Form]:
    """Return the forms of a page that change something, one more for each button of its own."""
    reader = _FormReader()
    reader.feed(page)
    return [form for form in reader.forms if form.is_post]


class _FormReader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self._form: Form | None = None
        self._actions: list[str] = []
        self._select = ""
        self._chosen: str | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        held = {name: value or "" for name, value in attrs}
        if tag == "form":
            self._form = Form(held.get("action", ""), is_post=held.get("method") == "post")
            self._actions = []
        if self._form is None:
            return
        name = held.get("name", "")
        if name and name != "csrf_token":
            self._form.names.add(name)
        if tag == "button" and "formaction" in held:
            self._actions.append(held["formaction"])
        if tag in {"input", "textarea"} and name and name != "csrf_token":
            self._field(name, held)
        if tag == "select":
            self._select, self._chosen = name, None
        if tag == "option" and self._select and (self._chosen is None or "selected" in held):
            self._chosen = held.get("value", "")

    def _field(self, name: str, held: dict[str, str]) -> None:
        assert self._form is not None
        kind = held.get("type", "text")
        if kind in {"checkbox", "radio"} and "checked" not in held:
            return
        usual = {"text": "as agreed", "date": "2026-03-02", "number": "1"}
        self._form.fields.append((name, held.get("value", "") or usual.get(kind, "as agreed")))

    def handle_data(self, data: str) -> None:
        if self._select and self._chosen == "":
            self._chosen = data.strip() or ""

    def handle_endtag(self, tag: str) -> None:
        if self._form is None:
            return
        if tag == "select":
            self._form.fields.append((self._select, self._chosen or ""))
            self._select = ""
        if tag == "form":
            self.forms.append(self._form)
            self.forms += [
                Form(action, self._form.fields, self._form.names, self._form.is_post)
                for action in self._actions
            ]
            self._form = None


def pages(app: Flask, client: FlaskClient) -> Iterator[tuple[str, str]]:
    """Give address and text of every HTML page that a client is shown."""
    for route in every_route(app, "GET"):
        if route.is_static:
            continue
        for number in NUMBERS[:-1] if route.numbers else NUMBERS[:1]:
            address = address_of(app, route, number)
            answer = client.get(address)
            if answer.mimetype == "text/html" and answer.status_code == 200:
                yield address, answer.text
            answer.close()
