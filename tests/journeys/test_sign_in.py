"""From the invitation to the first sign-in and out again; and whoever is not signed in."""

from __future__ import annotations

import re

import pytest
from flask import url_for
from playwright.sync_api import expect

from registry.store.home import open_ledger
from registry.web.app import create_app
from registry.web.guard import OPEN, guard_of
from tests.journeys.browsing import PASSWORD, focused_name, set_password, sign_in, tab_to
from tests.journeys.units import PERSONS

pytestmark = pytest.mark.browser

WRONG = "Name or password is not right."


def invitation(served, name, role="quality lead"):
    """Make an account with the real command; return its link."""
    address = served.address.rstrip("/")
    person = PERSONS[role]
    told = served.run(
        *("account", "add", name, "--role", role, "--address", address, "--person", person)
    )
    return told.splitlines()[0]


def typed(page, password, again):
    """Fill in the form of a first password by the keyboard alone and send it."""
    tab_to(page, "New password")
    page.keyboard.type(password)
    page.keyboard.press("Tab")
    assert focused_name(page) == "The same again"
    page.keyboard.type(again)
    page.keyboard.press("Enter")


def test_an_invited_person_comes_in_and_leaves_by_the_keyboard_alone(unit, visiting):
    link = invitation(unit, "keyboard")
    visit = visiting(unit)
    visit.watch.refusals.add(400)
    page = visit.page
    page.goto(link)
    for password, again, told in (
        ("too short", "too short", "use 15 characters or more"),
        ("pedicle ledger pedicle ledger", "pedicle ledger pedicle ledger", "made of common words"),
        ("keyboard keyboard", "keyboard keyboard", "made of common words"),
        ("aaaaaaaaaaaaaaaaaa", "aaaaaaaaaaaaaaaaaa", "too few different characters"),
        (PASSWORD, f"{PASSWORD}!", "the two entries differ"),
    ):
        typed(page, password, again)
        expect(page.get_by_role("alert")).to_contain_text(told, ignore_case=True)
        field = page.get_by_label("New password")
        expect(field).to_have_attribute("aria-invalid", "true")
        expect(field).to_have_accessible_description(re.compile(told, re.IGNORECASE))
        expect(field).to_have_value("")
    typed(page, PASSWORD, PASSWORD)
    expect(page.get_by_role("status")).to_have_text("The password is set. Sign in with it.")
    tab_to(page, "Account name")
    page.keyboard.type("keyboard")
    tab_to(page, "Password")
    page.keyboard.type(PASSWORD)
    tab_to(page, "Sign in")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Where things stand")).to_be_visible()
    tab_to(page, "Sign out")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    visit.refused(link.removeprefix(unit.address), 403)
    expect(page.get_by_text("used up or too old; ask the steward")).to_be_visible()


def test_the_link_in_front_of_every_page_leads_past_its_head(unit, signed_in):
    page = signed_in(unit, "quality lead").open("/rates?by=level")
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="Skip to the page's content")).to_be_in_viewport()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    first = page.get_by_role("main").get_by_role("link").first
    expect(first).to_have_text("Rates")
    expect(first).to_be_focused()


def test_a_wrong_password_and_a_wrong_name_are_told_in_the_same_words(unit, visiting):
    visit = visiting(unit)
    page = visit.page
    set_password(page, invitation(unit, "mistaken"))
    visit.watch.refusals.add(403)
    told = []
    for name, password in (("mistaken", f"{PASSWORD} "), ("nobody at all", PASSWORD)):
        sign_in(page, unit.address, name, password)
        expect(page.get_by_role("alert")).to_have_text(WRONG)
        told.append(page.locator("main").text_content())
        assert page.get_by_label("Account name").input_value() == name
    assert told[0] == told[1]


def test_after_signing_out_the_way_back_shows_nothing(unit, signed_in):
    visit = signed_in(unit, "quality lead")
    page = visit.page
    visit.open("/cases/")
    page.get_by_role("link", name="OP-2024-001").click()
    expect(page.get_by_role("table")).to_be_visible()
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    for _ in range(2):
        page.go_back()
        expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
        assert page.get_by_role("table").count() == 0
        assert "OP-2024" not in page.content()


def test_who_followed_a_link_arrives_there_after_signing_in(unit, visiting):
    page = visiting(unit).page
    set_password(page, invitation(unit, "follower"))
    page.goto(unit.url("/rates?by=region&threshold=4"))
    page.get_by_label("Account name").fill("follower")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page).to_have_url(unit.url("/rates?by=region&threshold=4"))
    expect(page.get_by_role("heading", name="Breach of 4 mm or more")).to_be_visible()


@pytest.fixture(scope="module")
def guarded(unit):
    """Give method and path of each route that is not open to all, as the program itself lists."""
    ledger = open_ledger(unit.home, {})
    app = create_app(ledger, clock=None)
    found = []
    with app.test_request_context():
        for rule in app.url_map.iter_rules():
            if guard_of(app, rule.endpoint) == OPEN:
                continue
            path = url_for(rule.endpoint, **dict.fromkeys(rule.arguments, 1))
            found += [(method, path) for method in rule.methods - {"HEAD", "OPTIONS"}]
    ledger.close()
    return sorted(found)


def test_every_page_leads_whoever_is_not_signed_in_to_the_sign_in(unit, visiting, guarded):
    visit = visiting(unit)
    visit.watch.refusals.add(401)
    pages = [path for method, path in guarded if method == "GET"]
    assert {"/", "/worklist", "/cases/", "/cases/1", "/rates", "/accounts"} <= set(pages)
    for path in pages:
        page = visit.open(path)
        if path.endswith(".json"):
            assert "sign in first" in page.content()
        else:
            expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
        assert "OP-" not in page.content()
        assert not any(name in page.content() for name in PERSONS.values() if name)


def test_nothing_can_be_sent_by_whoever_is_not_signed_in(unit, visiting, guarded):
    requests = visiting(unit).context.request
    changes = [path for method, path in guarded if method == "POST"]
    assert "/sign-out" in changes
    for path in changes:
        answer = requests.post(unit.url(path), max_redirects=0)
        # A page's script is told in its own language; a person is sent to sign in.
        expected = (401, "") if path.endswith(".json") else (302, "/sign-in")
        assert (answer.status, answer.headers.get("location", "")[:8]) == expected
