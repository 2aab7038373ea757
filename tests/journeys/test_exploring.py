"""From a rate to its screws to a screw's readings, and back to the same place, by keyboard too."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.browser


def test_a_surgeon_goes_from_a_rate_to_a_screw_and_back_without_losing_the_place(unit, signed_in):
    page = signed_in(unit, "surgeon").open(
        "/explore?by=level&by=side&minimum=0&period=../2026-06-30"
    )
    place = page.locator(".crossed tbody tr:nth-child(2) td:nth-child(3) a")
    mark = place.get_attribute("id")
    place.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Screws: ")
    screw = page.locator("tbody tr:last-child a")
    number = screw.get_attribute("id")
    listed = page.url
    screw.press("Enter")
    expect(
        page.get_by_text("What counts: ").or_(page.get_by_text("Nobody has read"))
    ).to_be_visible()
    # By the page's own links.
    page.get_by_role("link", name="Back to the list of screws").press("Enter")
    expect(page.locator(f"#{number}")).to_be_focused()
    page.get_by_role("link", name="Back to the table").press("Enter")
    expect(page.locator(f"#{mark}")).to_be_focused()
    # And by the browser's, two steps.
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Screws: ")
    page.wait_for_load_state()
    page.locator(f"#{number}").press("Enter")
    expect(page.get_by_role("link", name="Back to the list of screws")).to_be_visible()
    page.go_back()
    assert page.url == f"{listed}#{number}"
    expect(page.locator(f"#{number}")).to_be_focused()
    page.go_back()
    expect(page.get_by_role("heading", level=1)).to_have_text("Explore")
    expect(page.locator(f"#{mark}")).to_be_focused()
