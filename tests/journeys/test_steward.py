"""A steward's day: who can sign in, and nothing clinical."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from demo_data.scenario import people
from tests.journeys.browsing import set_password, sign_in, tab_to

pytestmark = pytest.mark.browser


def test_a_steward_starts_at_accounts_and_backups_and_can_go_to_nothing_clinical(unit, signed_in):
    page = signed_in(unit, "steward", by_form=True).page
    expect(page).to_have_url(unit.url("/"))
    expect(page.get_by_role("heading", name="Accounts")).to_be_visible()
    expect(page.get_by_text("No backup is noted beside the keys")).to_be_visible()
    places = page.get_by_role("navigation", name="Pages").get_by_role("link")
    assert places.all_inner_texts() == ["Accounts", "Trail", "Withdrawal"]


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("/rates?by=level", "Steward may not see the unit's rates."),
        ("/cases/", "Steward may not see cases."),
        ("/cases/1", "Steward may not see cases."),
        ("/worklist", "Steward may not read screws."),
    ],
)
def test_what_is_clinical_is_refused_in_words(unit, signed_in, path, told):
    page = signed_in(unit, "steward").refused(path, 403)
    expect(page.get_by_role("heading", name="Not allowed")).to_be_visible()
    expect(page.get_by_text(told)).to_be_visible()
    page.get_by_role("link", name="To the first page").click()
    expect(page).to_have_url(unit.url("/"))


def test_the_list_follows_an_account_from_invitation_to_its_first_sign_in(
    unit, signed_in, visiting
):
    address = unit.address.rstrip("/")
    invited = ("account", "add", "newcomer", "--role", "registrar", "--person", people.FELLOW)
    invited = (*invited, "--address", address)
    voided = unit.run(*invited).splitlines()[0]
    link = unit.run(*invited).splitlines()[0]
    page = signed_in(unit, "steward").open("/accounts")
    row = page.get_by_role("row").filter(has_text="newcomer")
    expect(row).to_contain_text(people.FELLOW)
    expect(row).to_contain_text("registrar")
    expect(row).to_contain_text("the link works until 20")
    newcomer = visiting(unit)
    told = newcomer.refused(voided.removeprefix(address), 403)
    expect(told.get_by_text("used up or too old")).to_be_visible()
    set_password(newcomer.page, link)
    sign_in(newcomer.page, unit.address, "newcomer")
    expect(newcomer.page.get_by_role("heading", name="To be read by you")).to_be_visible()
    page.reload()
    expect(row).to_contain_text("can sign in")
    expect(row).not_to_contain_text("the link works")


def test_a_steward_invites_somebody_and_takes_the_account_back_by_keyboard(unit, signed_in):
    page = signed_in(unit, "steward", by_form=True).page
    tab_to(page, "Accounts")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1, name="Accounts")).to_be_visible()
    tab_to(page, "Invite someone")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Invite someone")).to_be_visible()
    tab_to(page, "Account name")
    page.keyboard.type("locum")
    tab_to(page, "steward")
    page.keyboard.press("Space")
    tab_to(page, "Invite")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="A link for locum")).to_be_visible()
    tab_to(page, "To the accounts")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1, name="Accounts")).to_be_visible()
    tab_to(page, "locum")
    page.keyboard.press("Enter")
    expect(page.get_by_text("Roles: steward.")).to_be_visible()
    tab_to(page, "Reason")
    page.keyboard.type("gone to another house")
    tab_to(page, "Disable the account")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Let it sign in again")).to_be_visible()
